#!/usr/bin/env python3
"""Poisson's equation by SciPy, filling in by OpenCV, medians by numpy, for tests/paint_outside.rs and benches/paint_out.rs.

All numbers are little-endian; pictures are 32-bit floats, rows top down.
usage: paint_check.py seam     reads width, height (int32), picture and fill (RGBA each) and the hole (one byte a pixel, 0 or 1);
                               writes the fill joined to the picture in gradient, as 32-bit floats, solved directly in 64 bits
       paint_check.py holes    reads a count, width, height (int32), then as often: truth and fill (RGB each, square roots of
                               light) and the hole; prints a JSON list of {"ours": [..], "telea": [..], "ns": [..]}, each
                               with PSNR in dB, mean structural similarity and the share of the truth's detail, in the hole
       paint_check.py median   reads frames, width, height (int32), then the frames, one plane each, NaN where nothing is
                               seen; writes their median as 32-bit floats, NaN where nothing is seen in any
       paint_check.py time     prints milliseconds (the least of 3) of the direct solution for a hole of 400x400, three channels
Needs: numpy opencv-python-headless scipy
"""
import json
import sys

import numpy as np


def ints(data, count):
    return [int(n) for n in np.frombuffer(data[: 4 * count], "<i4")]


def system(hole):
    """The four-neighbour Laplacian of a hole inside a frame, and the links from its pixels to known ones."""
    import scipy.sparse as sparse

    height, width = hole.shape
    ys, xs = np.nonzero(hole)
    index = np.full(hole.shape, -1)
    index[ys, xs] = np.arange(len(ys))
    own = np.zeros(len(ys))
    rows, columns, links = [], [], []
    for dy, dx in ((0, 1), (0, -1), (1, 0), (-1, 0)):
        y, x = ys + dy, xs + dx
        cells = np.nonzero((y >= 0) & (y < height) & (x >= 0) & (x < width))[0]
        y, x = y[cells], x[cells]
        own[cells] += 1
        inside = index[y, x] >= 0
        rows.append(cells[inside])
        columns.append(index[y, x][inside])
        links.append((cells, y, x, inside))
    rows, columns = np.concatenate(rows), np.concatenate(columns)
    off = sparse.coo_matrix((-np.ones(len(rows)), (rows, columns)), (len(ys), len(ys)))
    return (sparse.diags(own) + off).tocsc(), (ys, xs), links


def joined(picture, fill, hole):
    from scipy.sparse.linalg import splu

    matrix, (ys, xs), links = system(hole)
    wanted = np.zeros((len(ys), picture.shape[2]))
    for cells, y, x, inside in links:
        wanted[cells] += fill[ys[cells], xs[cells]] - fill[y, x]
        wanted[cells[~inside]] += picture[y[~inside], x[~inside]]
    out = fill.copy()
    out[ys, xs] = splu(matrix).solve(wanted)
    return out


def seam():
    data = sys.stdin.buffer.read()
    width, height = ints(data, 2)
    count = width * height * 4
    planes = np.frombuffer(data[8 : 8 + 8 * count], "<f4").astype(float).reshape(2, height, width, 4)
    hole = np.frombuffer(data[8 + 8 * count :], "u1").reshape(height, width) > 0
    sys.stdout.buffer.write(joined(planes[0], planes[1], hole).astype("<f4").tobytes())


def similarity(a, b, hole):
    """Structural similarity (Wang et al., IEEE Trans. Image Processing 2004), means over a Gaussian of 1.5 px."""
    import cv2

    def soft(plane):
        return cv2.GaussianBlur(plane, (0, 0), 1.5)

    a, b = a.mean(-1), b.mean(-1)
    ma, mb = soft(a), soft(b)
    va, vb, both = soft(a * a) - ma**2, soft(b * b) - mb**2, soft(a * b) - ma * mb
    map_ = (2 * ma * mb + 1e-4) * (2 * both + 9e-4) / ((ma**2 + mb**2 + 1e-4) * (va + vb + 9e-4))
    return float(map_[hole].mean())


def judged(truth, filled, hole):
    import cv2

    def detail(picture):
        return cv2.Laplacian(picture, cv2.CV_64F)[inner].std()

    inner = cv2.erode(hole.astype("u1"), np.ones((3, 3))) > 0
    error = np.mean((truth - filled)[hole] ** 2)
    return [float(-10 * np.log10(error + 1e-12)), similarity(truth, filled, hole), float(detail(filled) / detail(truth))]


def holes():
    import cv2

    data = sys.stdin.buffer.read()
    cases, width, height = ints(data, 3)
    at, out = 12, []
    for _ in range(cases):
        size = width * height
        truth, ours = np.frombuffer(data[at : at + 24 * size], "<f4").astype(float).reshape(2, height, width, 3)
        at += 24 * size
        hole = np.frombuffer(data[at : at + size], "u1").reshape(height, width)
        at += size
        codes = (np.clip(truth, 0, 1) * 255).round().astype("u1")
        codes[hole > 0] = 0
        case = {"ours": judged(truth, ours, hole > 0)}
        for name, method in (("telea", cv2.INPAINT_TELEA), ("ns", cv2.INPAINT_NS)):
            filled = cv2.inpaint(codes, hole * 255, 5, method) / 255.0
            case[name] = judged(truth, filled, hole > 0)
        out.append(case)
    json.dump(out, sys.stdout)


def median():
    data = sys.stdin.buffer.read()
    frames, width, height = ints(data, 3)
    planes = np.frombuffer(data[12:], "<f4").reshape(frames, height, width)
    import warnings

    warnings.simplefilter("ignore")
    sys.stdout.buffer.write(np.nanmedian(planes, axis=0).astype("<f4").tobytes())


def time():
    from time import perf_counter

    dice = np.random.default_rng(7)
    picture, fill = dice.random((2, 440, 440, 3))
    hole = np.zeros((440, 440), bool)
    hole[20:420, 20:420] = True
    times = []
    for _ in range(3):
        start = perf_counter()
        joined(picture, fill, hole)
        times.append((perf_counter() - start) * 1e3)
    print(f"{min(times):.2f}")


{"seam": seam, "holes": holes, "median": median, "time": time}[sys.argv[1]]()
