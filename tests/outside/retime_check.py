"""Makes moving scenes with a known middle frame, and judges middle frames with the flows of OpenCV.

usage: retime_check.py scene KIND    prints width, height and the frames at times 0, 1/2 and 1
       retime_check.py judge         reads that and one more frame, the one that was made; prints what is right of it
       retime_check.py time          prints milliseconds that OpenCV's flows take at 1920x1080, both ways, one thread

Frames are three planes of 32-bit floats in linear light. Each is a texture of four sizes of grain fetched with cubic
interpolation at places that follow from the motion, so that the middle frame is known without any flow. What is judged
is the peak signal-to-noise ratio in display code (gamma 2.2), of the whole frame and of its inside, where no scene
moves in or out. OpenCV's flows get the same light as ours does, as 8-bit codes, which is what they take, and their middle
frame is the mean of both pictures fetched along half of either flow.
"""

import json
import sys
import time

import cv2
import numpy as np

WIDTH, HEIGHT, MARGIN, INSIDE = 480, 270, 200, 64


def texture(width, height, seed):
    dice = np.random.default_rng(seed)
    sheet = np.zeros((height, width, 3), np.float32)
    for sigma, share in ((1.2, 0.25), (3, 0.3), (8, 0.3), (24, 0.3)):
        light = cv2.GaussianBlur(dice.standard_normal((height, width)).astype(np.float32), (0, 0), sigma)
        colour = cv2.GaussianBlur(dice.standard_normal((height, width, 3)).astype(np.float32), (0, 0), sigma)
        sheet += share * (light / light.std())[..., None] + 0.4 * share * colour / colour.std()
    return np.clip(0.5 + 0.18 * sheet, 0, 1) ** 2.2


def fetched(sheet, matrix):
    flags = cv2.INTER_LANCZOS4 | cv2.WARP_INVERSE_MAP
    return cv2.warpAffine(sheet, np.asarray(matrix, float), (WIDTH, HEIGHT), flags=flags, borderMode=cv2.BORDER_REFLECT)


def place(kind, t):
    middle = np.array([WIDTH / 2, HEIGHT / 2])
    if kind == "turn":
        a = np.deg2rad(3 * t)
        turn = np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])
        return np.c_[turn, middle + MARGIN - turn @ middle]
    if kind == "zoom":
        scale = 1 / (1 + 0.06 * t)
        return np.c_[np.eye(2) * scale, middle * (1 - scale) + MARGIN]
    x, y = {"shift": (-7.3, 3.6), "fast": (-41, 22.5), "disc": (-3.3, 1.6)}[kind]
    return [[1, 0, MARGIN + x * t], [0, 1, MARGIN + y * t]]


def frame(kind, t):
    sheet = texture(WIDTH + 2 * MARGIN, HEIGHT + 2 * MARGIN, 5)
    picture = fetched(sheet, place(kind, t))
    if kind == "disc":
        other = texture(WIDTH + 2 * MARGIN, HEIGHT + 2 * MARGIN, 9) * np.array([1.3, 0.8, 0.5], np.float32)
        other = fetched(other, [[1, 0, 100 - 18 * t], [0, 1, 150 - 4 * t]])
        y, x = np.mgrid[0:HEIGHT, 0:WIDTH]
        away = np.hypot(x - 190 - 18 * t, y - 130 - 4 * t)
        inside = np.clip(60.5 - away, 0, 1)[..., None]
        picture = picture * (1 - inside) + other * inside
    return picture.astype(np.float32)


def codes(picture):
    light = picture @ np.array([0.2126, 0.7152, 0.0722], np.float32)
    return np.round(np.clip(light, 0, 1) ** 0.5 * 255).astype(np.uint8)


def flows(name, a, b):
    if name == "farneback":
        return [cv2.calcOpticalFlowFarneback(*p, None, 0.5, 6, 15, 3, 5, 1.2, 0) for p in ((a, b), (b, a))]
    search = cv2.DISOpticalFlow_create(cv2.DISOPTICAL_FLOW_PRESET_MEDIUM)
    return [search.calc(a, b, None), search.calc(b, a, None)]


def middle(name, a, b):
    there, back = flows(name, codes(a), codes(b))
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH].astype(np.float32)

    def moved(picture, flow):
        places = x - flow[..., 0] / 2, y - flow[..., 1] / 2
        return cv2.remap(picture, *places, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)

    return (moved(a, there) + moved(b, back)) / 2


def decibels(made, truth):
    code = [np.clip(picture, 0, 1) ** (1 / 2.2) for picture in (made, truth)]
    square = (code[0] - code[1]) ** 2
    inner = square[INSIDE:-INSIDE, INSIDE:-INSIDE]
    return [float(-10 * np.log10(part.mean())) for part in (square, inner)]


def main():
    cv2.setNumThreads(1)
    if sys.argv[1] == "scene":
        frames = [frame(sys.argv[2], t) for t in (0, 0.5, 1)]
        sys.stdout.buffer.write(np.array([WIDTH, HEIGHT], "<i4").tobytes())
        for picture in frames:
            sys.stdout.buffer.write(np.ascontiguousarray(picture.transpose(2, 0, 1)).tobytes())
    elif sys.argv[1] == "judge":
        raw = np.frombuffer(sys.stdin.buffer.read()[8:], "<f4").reshape(4, 3, HEIGHT, WIDTH)
        a, truth, b, made = (np.ascontiguousarray(picture.transpose(1, 2, 0)) for picture in raw)
        said = {"ours": decibels(made, truth)}
        said |= {name: decibels(middle(name, a, b), truth) for name in ("farneback", "inverse search")}
        print(json.dumps(said))
    else:
        a = codes(texture(1920 + 16, 1080 + 16, 5))
        a, b = a[:1080, :1920].copy(), a[9:1089, 7:1927].copy()
        for name in ("farneback", "inverse search"):
            times = []
            for _ in range(5):
                start = time.perf_counter()
                flows(name, a, b)
                times.append((time.perf_counter() - start) * 1e3)
            print(f"{name}\t{sorted(times)[2]:.2f}", flush=True)


main()
