"""Shifts between pictures as OpenCV finds them: by enhanced correlation (Evangelidis & Psarakis 2008) and by phase.

Reads count, width, height (int32), then for each pair both pictures (float32). Writes JSON: for each pair the place in the
second picture of the first one's origin, as [x, y], by "ecc" and "phase". With the word `time`, reads nothing and writes how long
one pair takes.
"""

import json
import sys

import cv2
import numpy as np

if sys.argv[1:] == ["time"]:
    import time

    cv2.setNumThreads(1)
    y, x = np.mgrid[0:540, 0:960].astype(np.float32)
    grain = np.random.default_rng(1)
    still = 0.18 + 0.15 * np.sin(2 * x / 97) * np.cos(2 * y / 61)
    a, b = [(still + 0.01 * grain.standard_normal(still.shape)).astype(np.float32) for _ in range(2)]
    times = []
    for _ in range(6):
        start = time.perf_counter()
        warp = np.eye(2, 3, dtype=np.float32)
        stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 50, 1e-6)
        cv2.findTransformECC(a, b, warp, cv2.MOTION_EUCLIDEAN, stop, None, 5)
        times.append((time.perf_counter() - start) * 1e3)
    print(f"findTransformECC of 960x540, shift and turn\t{sorted(times[1:])[2]:.1f}")
    sys.exit()

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
