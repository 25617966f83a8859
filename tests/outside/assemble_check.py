"""Dissolves by NumPy, glyphs by FreeType through Pillow, area averages by OpenCV; with `time`, how long OpenCV takes.

Reads 32-bit floats from the standard input and writes such. Knows nothing of the program that asks.
"""
import sys

import numpy as np


def dissolve(frame, length):
    both = np.frombuffer(sys.stdin.buffer.read(), np.float32).astype(np.float64)
    a, b = np.split(both, 2)
    share = int(frame) / (int(length) + 1)
    return (a * (1 - share) + b * share).astype(np.float16)


def glyphs(font, text, width, height, size, x, y, advance):
    from PIL import Image, ImageDraw, ImageFont

    width, height, size, x, y = (int(v) for v in (width, height, size, x, y))
    times = 32
    face = ImageFont.truetype(font, size * times, layout_engine=ImageFont.Layout.BASIC)
    large = Image.new("L", (width * times, height * times))
    draw = ImageDraw.Draw(large)
    for i, c in enumerate(text):
        draw.text(((x + i * float(advance)) * times, y * times), c, fill=255, font=face, anchor="ls")
    blocks = np.asarray(large, np.float32).reshape(height, times, width, times)
    return blocks.mean(axis=(1, 3)) / 255


def area(width, height, new_width, new_height):
    import cv2

    plane = np.frombuffer(sys.stdin.buffer.read(), np.float32).reshape(int(height), int(width))
    return cv2.resize(plane, (int(new_width), int(new_height)), interpolation=cv2.INTER_AREA)


def time():
    from time import perf_counter

    import cv2

    cv2.setNumThreads(1)
    a, b = (np.random.default_rng(n).random((1080, 1920, 4), np.float32) for n in (1, 2))
    for name, work in [
        ("weighted sum", lambda: cv2.addWeighted(a, 0.5, b, 0.5, 0)),
        ("area average to 320", lambda: cv2.resize(a, (320, 180), interpolation=cv2.INTER_AREA)),
    ]:
        took = []
        for _ in range(9):
            start = perf_counter()
            work()
            took.append(perf_counter() - start)
        print(f"{name}\t{sorted(took)[4] * 1000:.1f}")
    sys.exit()


answer = {"time": time, "dissolve": dissolve, "glyphs": glyphs, "area": area}[sys.argv[1]](*sys.argv[2:])
sys.stdout.buffer.write(answer.astype(np.float32).tobytes())
