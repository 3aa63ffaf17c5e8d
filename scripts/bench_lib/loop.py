"""What a user would write instead: the mediapipe package over every frame of each clip. usage: loop.py COMPLEXITY CLIP..."""
import sys

import cv2
import mediapipe as mp

complexity, clips = int(sys.argv[1]), sys.argv[2:]
frames = seen = 0
for clip in clips:
    capture = cv2.VideoCapture(clip)
    with mp.solutions.pose.Pose(model_complexity=complexity) as pose:
        while True:
            ok, picture = capture.read()
            if not ok:
                break
            seen += pose.process(cv2.cvtColor(picture, cv2.COLOR_BGR2RGB)).pose_landmarks is not None
            frames += 1
print(frames, seen)
