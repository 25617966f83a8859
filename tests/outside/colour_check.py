#!/usr/bin/env python3
"""Grades with OpenColorIO, for comparison.

usage: colour_check.py grade DIR   reads DIR/cases.json, writes DIR/NAME.theirs for every case
       colour_check.py time        prints NAME<tab>MILLISECONDS of a 1080p frame on one thread

A case names a file of little-endian float32 RGB pixels, an optional CDL and an optional .cube file. It is graded
without approximations (OPTIMIZATION_NONE). Needs numpy and opencolorio.
"""
import json
import os
import statistics
import sys
import time

import numpy as np
import PyOpenColorIO as ocio


def cdl_transform(grade):
    transform = ocio.CDLTransform()
    transform.setSlope(grade["slope"])
    transform.setOffset(grade["offset"])
    transform.setPower(grade["power"])
    transform.setSat(grade["saturation"])
    transform.setStyle(ocio.CDL_ASC if grade["style"] == "clamp" else ocio.CDL_NO_CLAMP)
    return transform


def grade(folder):
    config = ocio.Config.CreateRaw()
    cases = json.load(open(os.path.join(folder, "cases.json")))
    for case in cases:
        steps = []
        if case["cdl"]:
            steps.append(cdl_transform(case["cdl"]))
        if case["look"]:
            look = ocio.FileTransform(os.path.join(folder, case["look"]))
            look.setInterpolation(ocio.INTERP_TETRAHEDRAL if case["lattice"] else ocio.INTERP_LINEAR)
            steps.append(look)
        processor = config.getProcessor(ocio.GroupTransform(steps))
        cpu = processor.getOptimizedCPUProcessor(ocio.OPTIMIZATION_NONE)
        pixels = np.fromfile(os.path.join(folder, case["pixels"]), "<f4")
        cpu.applyRGB(pixels)
        pixels.astype("<f4").tofile(os.path.join(folder, case["name"] + ".theirs"))
    print(f"OpenColorIO {ocio.__version__}: {len(cases)} cases")


def timing():
    width, height = 1920, 1080
    rng = np.random.default_rng(7)
    yy, xx = np.mgrid[0:height, 0:width].astype(np.float32)
    base = 0.18 + 0.15 * np.sin(xx / 97) * np.cos(yy / 61)
    frame = np.stack([base * 1.1, base, base * 0.8, np.ones_like(base)], -1).astype(np.float32)
    frame[..., :3] += rng.normal(0, 0.01, (height, width, 3)).astype(np.float32)
    frame[..., :3] = frame[..., :3].astype(np.float16).astype(np.float32)
    cdl = cdl_transform(
        {
            "slope": [1.1, 1.0, 0.9],
            "offset": [0.01, 0.0, -0.01],
            "power": [0.95, 1.0, 1.05],
            "saturation": 1.1,
            "style": "no-clamp",
        }
    )
    look = ocio.Lut3DTransform(33)
    look.setInterpolation(ocio.INTERP_TETRAHEDRAL)
    at = np.linspace(0, 1, 33, dtype=np.float32)
    r, g, b = np.meshgrid(at, at, at, indexing="ij")
    look.setData(np.stack([r**0.9, g**1.05, 0.9 * b + 0.1 * r], -1).astype(np.float32).reshape(-1))
    config = ocio.Config.CreateRaw()
    for name, steps in (("cdl", [cdl]), ("cdl+lut33", [cdl, look])):
        processor = config.getProcessor(ocio.GroupTransform(steps))
        cpu = processor.getOptimizedCPUProcessor(ocio.OPTIMIZATION_LOSSLESS)
        times = []
        for _ in range(8):
            start = time.perf_counter()
            buffer = frame.copy()
            cpu.applyRGBA(buffer)
            times.append((time.perf_counter() - start) * 1e3)
        print(f"{name}\t{statistics.median(times[1:]):.3f}")


if __name__ == "__main__":
    if sys.argv[1:2] == ["time"]:
        timing()
    elif sys.argv[1:2] == ["grade"] and len(sys.argv) == 3:
        grade(sys.argv[2])
    else:
        sys.exit(__doc__)
