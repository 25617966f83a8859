#!/usr/bin/env python3
"""Areas by shapely and Gaussian sums by OpenCV, for tests/shape_outside.rs.

usage: shape_check.py areas        reads a JSON list of polygons (lists of [x, y]) on standard input and prints, for
                                   each, [area by the nonzero rule, area by the even-odd rule] inside 0..64 x 0..64
       shape_check.py glow         reads width, height (32-bit little-endian), then the plane (32-bit floats), and
                                   writes the sum of GaussianBlur at sigmas 4, 16 and 64 as 32-bit floats
       shape_check.py strokes      reads a JSON list of {"line": points, "closed": bool, "round": bool, "width": number} and
                                   prints the area of each line with width inside 0..64 x 0..64: the union
                                   of a bar for each piece and a disc at each turn
       shape_check.py fill         prints milliseconds (the less of 2) of a moving, softened shape by OpenCV: fillPoly with
                                   16 samples a pixel, averaged over 32 times and blurred, at 1920x1080 and 3840x2160
       shape_check.py time         prints milliseconds (median of 3) of those blurs of 1920x1080 float RGBA, one thread
Needs: numpy opencv-python-headless shapely
"""
import json
import sys


def areas():
    from shapely.geometry import LineString, box
    from shapely.ops import polygonize, unary_union

    frame = box(0, 0, 64, 64)
    out = []
    for points in json.load(sys.stdin):
        ring = points + points[:1]
        nonzero = odd = 0.0
        for face in polygonize(unary_union(LineString(ring))):
            x, y = face.representative_point().coords[0]
            winding = 0
            for (x0, y0), (x1, y1) in zip(ring, ring[1:]):
                if (y0 <= y) != (y1 <= y) and x0 + (y - y0) * (x1 - x0) / (y1 - y0) > x:
                    winding += 1 if y1 > y0 else -1
            area = face.intersection(frame).area
            nonzero += area if winding else 0.0
            odd += area if winding % 2 else 0.0
        out.append([nonzero, odd])
    json.dump(out, sys.stdout)


def strokes():
    from shapely.geometry import LineString, Point, box
    from shapely.ops import unary_union

    frame = box(0, 0, 64, 64)
    out = []
    for stroke in json.load(sys.stdin):
        line, half = stroke["line"], stroke["width"] / 2
        ring = line + line[:1] if stroke["closed"] else line
        bars = [LineString(pair).buffer(half, cap_style="flat") for pair in zip(ring, ring[1:])]
        turns = line if stroke["closed"] or stroke["round"] else line[1:-1]
        area = unary_union(bars + [Point(place).buffer(half, quad_segs=256) for place in turns])
        out.append(area.intersection(frame).area)
    json.dump(out, sys.stdout)


def fill():
    from time import perf_counter

    import cv2
    import numpy as np

    cv2.setNumThreads(1)
    for width, height in ((1920, 1080), (3840, 2160)):
        angles = np.linspace(0, 2 * np.pi, 400, endpoint=False)
        radius = height * (0.3 + 0.05 * np.sin(5 * angles))
        shape = np.stack([width / 2 + radius * np.cos(angles), height / 2 + radius * np.sin(angles)], 1)
        times = []
        for _ in range(2):
            start = perf_counter()
            total = np.zeros((height, width), np.float32)
            # Sixteen sub-samples a pixel (4x4) at each of 32 times.
            for i in range(32):
                moved = shape + [16 * ((i + 0.5) / 32 - 0.5), 0]
                large = np.zeros((height * 4, width * 4), np.uint8)
                cv2.fillPoly(large, [np.round(moved * 64).astype(np.int32)], 255, shift=4)
                total += cv2.resize(large, (width, height), interpolation=cv2.INTER_AREA)
            cv2.GaussianBlur(total / (32 * 255), (0, 0), 1.0)
            times.append((perf_counter() - start) * 1e3)
        print(f"{min(times):.1f}")


def glow():
    import cv2
    import numpy as np

    data = sys.stdin.buffer.read()
    width, height = np.frombuffer(data[:8], "<i4")
    plane = np.frombuffer(data[8:], "<f4").reshape(height, width)
    total = sum(cv2.GaussianBlur(plane, (0, 0), s) for s in (4, 16, 64))
    sys.stdout.buffer.write(total.astype("<f4").tobytes())


def time():
    import statistics
    from time import perf_counter

    import cv2
    import numpy as np

    cv2.setNumThreads(1)
    image = np.random.default_rng(7).random((1080, 1920, 4), np.float32)
    times = []
    for _ in range(3):
        start = perf_counter()
        total = np.zeros_like(image)
        for sigma in (4, 16, 64):
            total += cv2.GaussianBlur(image, (0, 0), sigma)
        times.append((perf_counter() - start) * 1e3)
    print(f"{statistics.median(times):.2f}")


{"areas": areas, "strokes": strokes, "fill": fill, "glow": glow, "time": time}[sys.argv[1]]()
