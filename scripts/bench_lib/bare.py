"""The landmark model on one repeated crop and nothing else. usage: bare.py MODEL SECONDS CLIP; prints inferences and seconds."""
import sys
import time

import cv2

from plain import crop, session

model = session(sys.argv[1])
capture = cv2.VideoCapture(sys.argv[3])
capture.set(cv2.CAP_PROP_POS_FRAMES, capture.get(cv2.CAP_PROP_FRAME_COUNT) // 2)
picture = capture.read()[1]
h, w = picture.shape[:2]
image, _ = crop(picture, w / 2, h / 2, w, 0)
model.run(None, {"image": image})
count, start = 0, time.perf_counter()
while time.perf_counter() - start < float(sys.argv[2]):
    model.run(None, {"image": image})
    count += 1
print(count, time.perf_counter() - start)
