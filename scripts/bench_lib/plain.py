"""A plain loop over our converted landmark model: every frame, region from the last frame's landmarks. usage: plain.py MODEL CLIP..."""
import sys

import cv2
import numpy as np
import onnxruntime

SIDE, CENTRE, SCALE = 256, 33, 34  # the model's two auxiliary points give the next region


def session(model):
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = options.inter_op_num_threads = 1
    return onnxruntime.InferenceSession(model, options, providers=["CPUExecutionProvider"])


def crop(picture, cx, cy, size, turn):
    """The region as the model wants it, and the matrix from crop to picture places."""
    c, s = np.cos(turn) * size / SIDE, np.sin(turn) * size / SIDE
    back = np.array([[c, -s, cx - (c - s) * SIDE / 2], [s, c, cy - (s + c) * SIDE / 2]])
    part = cv2.warpAffine(picture, back, (SIDE, SIDE), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE)
    return cv2.cvtColor(part, cv2.COLOR_BGR2RGB)[None].astype(np.float32) / 255, back


def main():
    model = session(sys.argv[1])
    frames = seen = 0
    for clip in sys.argv[2:]:
        capture = cv2.VideoCapture(clip)
        region = None
        while True:
            ok, picture = capture.read()
            if not ok:
                break
            h, w = picture.shape[:2]
            image, back = crop(picture, *(region or (w / 2, h / 2, max(w, h), 0)))
            landmarks, flag = model.run(["landmarks", "pose_flag"], {"image": image})
            points = landmarks.reshape(-1, 5)[:, :2] @ back[:, :2].T + back[:, 2]
            (cx, cy), (dx, dy) = points[CENTRE], points[SCALE] - points[CENTRE]
            found = flag[0, 0] >= 0.5
            region = (cx, cy, 2.5 * np.hypot(dx, dy), np.arctan2(dx, -dy)) if found else None
            frames, seen = frames + 1, seen + int(found)
    print(frames, seen)


if __name__ == "__main__":
    main()
