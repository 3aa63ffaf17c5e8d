#!/usr/bin/env python3
"""Plain onnxruntime reference of the BlazePose pipeline (detector -> ROI -> landmarks), independent of mediapipe.
Rules follow mediapipe/modules/pose_detection/pose_detection_cpu.pbtxt, pose_landmark/*.pbtxt and the calculators they name.
It shares no code with the program. usage: reference_pose.py MODELS_FOLDER PICTURES_FOLDER > expected.json
Needs the Python packages onnxruntime 1.32.0, opencv-python-headless and numpy.
"""
import json, math, os, sys
import cv2
import numpy as np
import onnxruntime as ort
NAMES = ("nose left_eye_inner left_eye left_eye_outer right_eye_inner right_eye right_eye_outer left_ear right_ear mouth_left "
 "mouth_right left_shoulder right_shoulder left_elbow right_elbow left_wrist right_wrist left_pinky right_pinky left_index "
 "right_index left_thumb right_thumb left_hip right_hip left_knee right_knee left_ankle right_ankle left_heel right_heel "
 "left_foot_index right_foot_index").split()
sig = lambda x: 1 / (1 + np.exp(-np.clip(np.asarray(x, np.float64), -100, 100)))

def anchors():
    a = []
    for fm, n in ((28, 2), (14, 2), (7, 6)):          # strides 8 | 16 | 32,32,32 ; 2 anchors per layer and cell
        for y in range(fm):
            for x in range(fm): a += [((x + .5) / fm, (y + .5) / fm)] * n
    return np.array(a, np.float32)                    # 2254 x (cx, cy); anchor w = h = 1

def crop(img, cx, cy, size, rot, S, border):
    """square rotated rect (pixels, radians) -> S x S, exactly as ImageToTensorConverter (OpenCV)"""
    c, s = math.cos(rot), math.sin(rot); h = size / 2
    P = lambda x, y: (cx + c * x - s * y, cy + s * x + c * y)
    src = np.array([P(-h, h), P(-h, -h), P(h, -h), P(h, h)], np.float32)
    dst = np.array([(0, S), (0, 0), (S, 0), (S, S)], np.float32)
    M = cv2.getPerspectiveTransform(src, dst)
    return cv2.warpPerspective(img, M, (S, S), flags=cv2.INTER_LINEAR, borderMode=border)

class PoseRef:
    def __init__(s, model='full', threads=1, d='.', lm_path=None, refine=True):
        so = ort.SessionOptions(); so.intra_op_num_threads = threads; so.inter_op_num_threads = 1
        P = ['CPUExecutionProvider']
        s.det = ort.InferenceSession(f'{d}/pose_detector.onnx', so, providers=P)
        s.lm = ort.InferenceSession(lm_path or f'{d}/pose_landmark_{model}.onnx', so, providers=P); s.anc = anchors(); s.roi = None
        s.lmn = [o.name for o in s.lm.get_outputs()]; s.refine = refine and 'heatmap' in s.lmn
    def detect(s, rgb, thr=.5):
        H, W = rgb.shape[:2]; L = max(H, W)
        x = crop(rgb, W / 2, H / 2, L, 0, 224, cv2.BORDER_CONSTANT).astype(np.float32) / 127.5 - 1
        b, sc = s.det.run(['boxes', 'scores'], {'image': x[None]}); b = b[0]; sc = sig(sc[0, :, 0])
        k = np.where(sc >= thr)[0]
        if not len(k): return []
        b = b[k] / 224; a = s.anc[k]; sc = sc[k]
        pts = b[:, 4:].reshape(-1, 4, 2) + a[:, None]; c = b[:, :2] + a; wh = b[:, 2:4]
        box = np.concatenate([c - wh / 2, c + wh / 2], 1); out = []
        o = list(np.argsort(-sc, kind='stable'))
        while o:                                                            # weighted NMS
            i = o[0]; r = box[o]; xx = np.maximum(r[:, :2], box[i, :2]); yy = np.minimum(r[:, 2:], box[i, 2:])
            inter = np.prod(np.maximum(yy - xx, 0), 1); ar = np.prod(r[:, 2:] - r[:, :2], 1); iou = inter / (ar + np.prod(box[i, 2:] - box[i, :2]) - inter)
            m = np.array(o)[iou > .3]; rest = [q for q, v in zip(o, iou) if v <= .3]
            if len(m) == 0: m = np.array([i])
            w = sc[m] / sc[m].sum(); out.append((sc[i], (box[m] * w[:, None]).sum(0), (pts[m] * w[:, None, None]).sum(0)))
            if len(rest) == len(o): break
            o = rest
        # letterbox removal -> pixels
        off = np.array([(L - W) / 2, (L - H) / 2])
        return [(float(q), (bb.reshape(2, 2) * L - off).reshape(4), p * L - off) for q, bb, p in out]
    @staticmethod
    def to_roi(c, e, scale=1.25):
        size = 2 * math.hypot(*(e - c)); a = math.pi / 2 - math.atan2(-(e[1] - c[1]), e[0] - c[0])
        a -= 2 * math.pi * math.floor((a + math.pi) / (2 * math.pi))
        return float(c[0]), float(c[1]), size * scale, a
    def landmarks(s, rgb, roi):
        cx, cy, size, rot = roi
        x = crop(rgb, cx, cy, size, rot, 256, cv2.BORDER_REPLICATE).astype(np.float32) / 255
        o = dict(zip(s.lmn, s.lm.run(s.lmn, {'image': x[None]})))
        l = o['landmarks'].reshape(39, 5).astype(np.float64); flag = float(o['pose_flag'][0, 0])
        xyz = l[:, :3] / 256
        if s.refine:
            hm = o['heatmap'][0]
            for i in range(39):
                c, r = int(xyz[i, 0] * 64), int(xyz[i, 1] * 64)
                if not (0 <= c < 64 and 0 <= r < 64) or xyz[i, 0] < 0 or xyz[i, 1] < 0: continue
                r0, r1, c0, c1 = max(0, r - 3), min(64, r + 4), max(0, c - 3), min(64, c + 4)
                p = sig(hm[r0:r1, c0:c1, i].astype(np.float64))
                if p.max() >= .5: xyz[i, 0] = (p.sum(0) * np.arange(c0, c1)).sum() / 64 / p.sum(); xyz[i, 1] = (p.sum(1) * np.arange(r0, r1)).sum() / 64 / p.sum()
        q = (xyz[:, :2] - .5) * size; c, si = math.cos(rot), math.sin(rot)
        px = np.stack([cx + c * q[:, 0] - si * q[:, 1], cy + si * q[:, 0] + c * q[:, 1], xyz[:, 2] * size], 1)
        return dict(flag=flag, px=px, vis=sig(l[:, 3]), pres=sig(l[:, 4]), roi=roi)
    def image(s, rgb, thr=.5, allp=False):
        out = []
        for sc, bb, p in sorted(s.detect(rgb, thr), key=lambda t: -t[0])[: None if allp else 1]:
            r = s.landmarks(rgb, s.to_roi(p[0], p[1])); r['score'] = sc; r['box'] = bb; out.append(r)
        return out


if __name__ == '__main__':
    models, pictures = sys.argv[1:]
    out = []
    for model in ('full', 'heavy'):
        ref = PoseRef(model, d=models)
        for name in sorted(os.listdir(pictures)):
            rgb = cv2.cvtColor(cv2.imread(os.path.join(pictures, name)), cv2.COLOR_BGR2RGB)
            for r in ref.image(rgb):
                out.append(dict(picture=name, model=model, score=round(r['score'], 5), region=[float(v) for v in r['roi']],
                                flag=round(r['flag'], 5), points=np.round(r['px'][:33, :2], 3).tolist(), visibility=np.round(r['vis'][:33], 4).tolist()))
    json.dump(out, sys.stdout)
