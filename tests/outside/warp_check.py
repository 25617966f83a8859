#!/usr/bin/env python3
"""Planes carried by homographies, by OpenCV and SciPy, for tests/warp_outside.rs and benches/warp.rs.

usage: warp_check.py carry    reads width, height (32-bit little-endian), nine 64-bit floats (the homography, rows, pixel centres
                              at halves) and the plane (32-bit floats); writes, as 32-bit floats, the plane by OpenCV's
                              warpPerspective (8x8 Lanczos, places rounded to 1/32 pixel), by SciPy's quintic spline at
                              exact places, and by averaging 16x16 such spline samples a pixel
       warp_check.py time     prints milliseconds (the least of 5) of warpPerspective with 8x8 Lanczos of 1920x1080 and 3840x2160
                              float RGBA, one thread
Needs: numpy opencv-python-headless scipy
"""
import sys

import numpy as np


def centred(matrix):
    half = np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, 1]])
    return np.linalg.inv(half) @ matrix @ half


def carry():
    import cv2
    from scipy.ndimage import map_coordinates, spline_filter

    data = sys.stdin.buffer.read()
    width, height = np.frombuffer(data[:8], "<i4")
    matrix = np.frombuffer(data[8:80], "<f8").reshape(3, 3)
    plane = np.frombuffer(data[80:], "<f4").reshape(height, width)
    flags = cv2.INTER_LANCZOS4
    opencv = cv2.warpPerspective(plane, centred(matrix), (int(width), int(height)), flags=flags, borderMode=cv2.BORDER_REPLICATE)
    back = np.linalg.inv(matrix)
    filtered = spline_filter(plane.astype(np.float64), order=5, mode="nearest")

    def at(dx, dy):
        y, x = np.mgrid[0:height, 0:width] + np.array([dy, dx])[:, None, None]
        u, v, w = (back[i, 0] * x + back[i, 1] * y + back[i, 2] for i in range(3))
        return map_coordinates(filtered, [v / w - 0.5, u / w - 0.5], order=5, mode="nearest", prefilter=False)

    steps = (np.arange(16) + 0.5) / 16
    mean = sum(at(dx, dy) for dx in steps for dy in steps) / 256
    for out in (opencv, at(0.5, 0.5), mean):
        sys.stdout.buffer.write(out.astype("<f4").tobytes())


def time():
    from time import perf_counter

    import cv2

    cv2.setNumThreads(1)
    matrix = np.array([[0.99, -0.05, 12.3], [0.05, 1.01, -8.7], [1e-5, -5e-6, 1]])
    for width, height in ((1920, 1080), (3840, 2160)):
        image = np.random.default_rng(7).random((height, width, 4), np.float32)
        times = []
        for _ in range(5):
            start = perf_counter()
            cv2.warpPerspective(image, matrix, (width, height), flags=cv2.INTER_LANCZOS4)
            times.append((perf_counter() - start) * 1e3)
        print(f"{min(times):.1f}")


{"carry": carry, "time": time}[sys.argv[1]]()
