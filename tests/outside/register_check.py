"""Shifts between pictures as OpenCV finds them: by enhanced correlation (Evangelidis & Psarakis 2008) and by phase.

Reads count, width, height (int32), then for each pair both pictures (float32). Writes JSON: for each pair the place in the
second picture of the first one's origin, as [x, y], by "ecc" and "phase".
"""

import json
import sys

import cv2
import numpy as np

data = sys.stdin.buffer.read()
count, width, height = np.frombuffer(data[:12], np.int32)
planes = np.frombuffer(data[12:], np.float32).reshape(count, 2, height, width).copy()
out = []
for first, second in planes:
    criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 300, 1e-9)
    window = cv2.createHanningWindow((int(width), int(height)), cv2.CV_32F)
    (px, py), _ = cv2.phaseCorrelate(first, second, window)
    warp = np.eye(2, 3, dtype=np.float32)
    _, warp = cv2.findTransformECC(first, second, warp, cv2.MOTION_TRANSLATION, criteria, None, 5)
    out.append({"ecc": [float(warp[0, 2]), float(warp[1, 2])], "phase": [px, py]})
json.dump(out, sys.stdout)
