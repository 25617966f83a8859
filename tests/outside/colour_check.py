#!/usr/bin/env python3
"""Grades with OpenColorIO and measures with colour-science, for comparison.

usage: colour_check.py grade DIR   reads DIR/cases.json, writes DIR/NAME.theirs for every case
       colour_check.py white DIR   reads DIR/kelvins.json, prints chromaticities and adaptations as JSON
       colour_check.py push DIR    writes DIR/reference.pixels, DIR/shot-N.pixels and DIR/scenes.json
       colour_check.py measure DIR reads DIR/found.json, prints differences before and after as JSON
       colour_check.py time CLF    prints NAME<tab>MILLISECONDS of a 1080p frame on one thread; CLF is a file to time

A case names a file of little-endian float32 RGB pixels, an optional CDL and an optional .cube file. It is graded
without approximations (OPTIMIZATION_NONE). Needs numpy and
opencolorio; white, push and measure need colour-science too.
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
            if case["between"]:
                tetrahedral = case["between"] == "tetrahedral"
                look.setInterpolation(ocio.INTERP_TETRAHEDRAL if tetrahedral else ocio.INTERP_LINEAR)
            steps.append(look)
        processor = config.getProcessor(ocio.GroupTransform(steps))
        cpu = processor.getOptimizedCPUProcessor(ocio.OPTIMIZATION_NONE)
        pixels = np.fromfile(os.path.join(folder, case["pixels"]), "<f4")
        cpu.applyRGB(pixels)
        pixels.astype("<f4").tofile(os.path.join(folder, case["name"] + ".theirs"))
    print(f"OpenColorIO {ocio.__version__}: {len(cases)} cases")


def white(folder):
    """CIE daylight from 5000 K, Krystek 1985 up to 4000 K, tints of 6 thousandths, and Bradford from one to the next."""
    import colour

    def locus(kelvin):
        if kelvin >= 5000:
            return colour.xy_to_UCS_uv(colour.temperature.CCT_to_xy_CIE_D(kelvin))
        return colour.temperature.CCT_to_uv_Krystek1985(kelvin)

    rows, last = [], None
    for kelvin in json.load(open(os.path.join(folder, "kelvins.json"))):
        u, v = locus(kelvin)
        step = kelvin * 1e-4
        du, dv = np.subtract(locus(kelvin + step), locus(kelvin - step))
        across = 0.006 / np.hypot(du, dv)
        xy = colour.UCS_uv_to_xy([u, v])
        tinted = colour.UCS_uv_to_xy([u + dv * across, v - du * across])
        row = {"xy": list(xy), "tinted": list(tinted)}
        if last is not None:
            matrix = colour.adaptation.matrix_chromatic_adaptation_VonKries(
                colour.xy_to_XYZ(last), colour.xy_to_XYZ(xy), transform="Bradford"
            )
            row["from_last"] = matrix.tolist()
        rows.append(row)
        last = xy
    print(json.dumps(rows))


WIDTH, HEIGHT = 320, 180
PUSHES = [
    {"slope": [1.5, 1.3, 1.1], "offset": [0, 0, 0], "power": [1, 1, 1], "saturation": 1.0},
    {"slope": [0.6, 0.7, 0.95], "offset": [0.004, 0.002, 0.006], "power": [0.9, 0.95, 1.05], "saturation": 0.75},
    {"slope": [1.1, 0.8, 0.7], "offset": [-0.001, 0.001, 0], "power": [1.15, 1.1, 1.2], "saturation": 1.3},
]


def scene(pan, zoom, person, seed):
    """A lit room of a few materials; the view pans and zooms, and somebody in red may stand in it."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH]
    u = (x / WIDTH - 0.5) / zoom + 0.5 + pan
    v = (y / HEIGHT - 0.5) / zoom + 0.5
    lamp = 0.9 / (1 + 36 * ((u - 0.3) ** 2 + (v - 0.4) ** 2))
    window = 0.25 / (1 + 14 * ((u - 0.95) ** 2 + (v - 0.2) ** 2))
    light = np.stack([lamp + 0.5 * window, 0.75 * lamp + 0.8 * window, 0.45 * lamp + 1.3 * window], -1) + 0.03
    albedo = np.where((np.sin(u * 3) > 0.5)[..., None], [0.30, 0.42, 0.33], [0.55, 0.42, 0.28])
    albedo = np.where((np.mod(u * 9, 1) < 0.12)[..., None], [0.05, 0.04, 0.035], albedo)
    albedo = np.where((v > 0.7)[..., None], [0.35, 0.33, 0.30], albedo)
    if person is not None:
        albedo = np.where(((np.abs(u - person) < 0.1) & (v > 0.2))[..., None], [0.6, 0.05, 0.04], albedo)
    grain = 1 + 0.03 * rng.normal(0, 1, light.shape[:2])[..., None]
    return (albedo * light * grain).astype(np.float32)


def graded(pixels, cdl):
    transform = cdl_transform({**cdl, "style": "no-clamp"})
    cpu = ocio.Config.CreateRaw().getProcessor(transform).getOptimizedCPUProcessor(ocio.OPTIMIZATION_NONE)
    out = np.ascontiguousarray(pixels, np.float32).copy()
    cpu.applyRGB(out)
    return out


def push(folder):
    scene(0, 1, None, 1).astype("<f4").tofile(os.path.join(folder, "reference.pixels"))
    other = scene(0.1, 1.25, 0.35, 2)
    other.astype("<f4").tofile(os.path.join(folder, "other.pixels"))
    for i, cdl in enumerate(PUSHES):
        graded(other, cdl).astype("<f4").tofile(os.path.join(folder, f"shot-{i}.pixels"))
    sizes = {"width": WIDTH, "height": HEIGHT, "pushes": len(PUSHES)}
    json.dump(sizes, open(os.path.join(folder, "scenes.json"), "w"))


def measure(folder):
    import colour

    def lab(pixels):
        space = colour.RGB_COLOURSPACES["sRGB"]
        xyz = np.reshape(pixels, (-1, 3)).astype(np.float64) @ space.matrix_RGB_to_XYZ.T
        return colour.XYZ_to_Lab(xyz, space.whitepoint)

    def load(name):
        return np.fromfile(os.path.join(folder, name + ".pixels"), "<f4")

    other = lab(load("other"))
    rows = []
    for i, cdl in enumerate(json.load(open(os.path.join(folder, "found.json")))):
        shot = load(f"shot-{i}")
        apart = [colour.delta_E(lab(p), other, method="CIE 1976").mean() for p in (shot, graded(shot, cdl))]
        rows.append({"before": float(apart[0]), "after": float(apart[1])})
    print(json.dumps(rows))


def timing(clf):
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
    # Exposure and white balance are one matrix; the output is the curve of IEC 61966-2-1.
    balance = ocio.MatrixTransform([1.05, 0.1, 0.05, 0, 0.03, 1.2, 0.02, 0, 0.01, 0.05, 1.6, 0, 0, 0, 0, 1])
    srgb = ocio.ExponentWithLinearTransform([2.4, 2.4, 2.4, 1], [0.055, 0.055, 0.055, 0])
    srgb.setDirection(ocio.TRANSFORM_DIR_INVERSE)
    config = ocio.Config.CreateRaw()
    for name, steps in (
        ("cdl", [cdl]),
        ("cdl+lut33", [cdl, look]),
        ("chain", [balance, cdl, look, srgb]),
        ("clf", [ocio.FileTransform(clf)]),
    ):
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
    if sys.argv[1:2] == ["time"] and len(sys.argv) == 3:
        timing(sys.argv[2])
    elif sys.argv[1:2] and sys.argv[1] in ("grade", "white", "push", "measure") and len(sys.argv) == 3:
        {"grade": grade, "white": white, "push": push, "measure": measure}[sys.argv[1]](sys.argv[2])
    else:
        sys.exit(__doc__)
