#!/usr/bin/env python3
"""Holds the project's picture files against OpenImageIO (and through it OpenEXR, libtiff, libpng, libjpeg).

usage: media_check.py DIR

Reads DIR/ours.json, checks that OpenImageIO sees in those files what it says, and then writes files of its
own with DIR/theirs.json beside them, which the test that started this compares with the project's readers.
Values lie in raw files, one plane after the other, little endian. Exits with 1 when anything differs.
"""
import json
import os
import sys

import numpy as np
import OpenImageIO as oiio

DIR = sys.argv[1]
faults = []


def path(name):
    return os.path.join(DIR, name)


def pixels(file, kind, straight=False):
    """Pixels of the data window as an array of height, width, channels."""
    config = oiio.ImageSpec()
    config["oiio:UnassociatedAlpha"] = int(straight)
    source = oiio.ImageInput.open(path(file), config)
    if source is None:
        raise RuntimeError(oiio.geterror())
    array = source.read_image(kind)
    if array is None:
        raise RuntimeError(source.geterror())
    spec = source.spec()
    source.close()
    return np.asarray(array).reshape(spec.height, spec.width, spec.nchannels), spec


def check_ours(entry):
    expect = np.fromfile(path(entry["values"]), "<u2").reshape(-1, entry["height"], entry["width"])
    kind = "half" if entry["file"].endswith(".exr") else "uint16"
    got, spec = pixels(entry["file"], kind)
    if list(spec.channelnames) != entry["channels"]:
        return f"channels {spec.channelnames} instead of {entry['channels']}"
    planes = np.ascontiguousarray(got.transpose(2, 0, 1)).view("<u2")
    # DPX: the reader spreads ten bits over sixteen; the top ten are the code.
    planes = planes >> 6 if kind == "uint16" else planes
    if planes.shape != expect.shape:
        return f"shape {planes.shape} instead of {expect.shape}"
    if not np.array_equal(planes, expect):
        return f"{np.count_nonzero(planes != expect)} of {expect.size} samples differ"
    for name, value in entry["facts"].items():
        if spec.get(name) != value:
            return f"attribute {name} is {spec.get(name)!r} instead of {value!r}"
    return None


theirs = []


def canonical(names):
    first = [c for c in "RGBA" if c in names]
    return first + sorted(c for c in names if c not in first)


def note(file, planes, names, tolerance=0.0, straight=False):
    """Says what the project's reader must find: `planes` by name, of the display window's size."""
    if list(names) == ["Y"]:
        names, planes = ["R", "G", "B"], {c: planes["Y"] for c in "RGB"}
    order = canonical(names)
    stack = np.stack([planes[c] for c in order]).astype("<f4")
    stack.tofile(path(file + ".f32"))
    theirs.append({"file": file, "values": file + ".f32", "channels": order, "straight": straight,
                   "width": stack.shape[2], "height": stack.shape[1], "tolerance": tolerance})


def write(file, array, spec, more=()):
    out = oiio.ImageOutput.create(path(file))
    if out is None:
        raise RuntimeError(oiio.geterror())
    specs = [spec] + [s for s, _ in more]
    opened = out.open(path(file), specs) if more else out.open(path(file), spec)
    if not opened:
        raise RuntimeError(out.geterror())
    put = out.write_image if spec.tile_width == 0 else (
        lambda a: out.write_tiles(spec.x, spec.x + spec.width, spec.y, spec.y + spec.height, 0, 1, a))
    if not put(np.ascontiguousarray(array)):
        raise RuntimeError(out.geterror())
    for other, pixels_of_other in more:
        if not (out.open(path(file), other, "AppendSubimage") and out.write_image(pixels_of_other)):
            raise RuntimeError(out.geterror())
    out.close()


def spec_of(array, kind, **attributes):
    spec = oiio.ImageSpec(array.shape[1], array.shape[0], array.shape[2], kind)
    for name, value in attributes.items():
        spec.attribute(name.replace("__", ":"), value)
    return spec


def by_reading(file, names, tolerance=0.0, straight=False):
    got, _ = pixels(file, "float", straight)
    note(file, {c: got[..., i] for i, c in enumerate(names)}, names, tolerance, straight)


rng = np.random.default_rng(11)
H, W = 45, 67
yy, xx = np.mgrid[0:H, 0:W]
smooth = 0.3 + 0.2 * np.sin(xx / 9) * np.cos(yy / 7)
rgba = np.stack([smooth * 1.1, smooth, smooth * 0.8, np.full_like(smooth, 0.75)], -1).astype(np.float32)
rgba[..., :3] += rng.normal(0, 0.01, (H, W, 3)).astype(np.float32)
half = rgba.astype(np.float16).astype(np.float32)


def exr_files():
    lossless = ["none", "rle", "zips", "zip", "piz"]
    for packing in lossless + ["pxr24"]:
        for tiled in (0, 16):
            spec = spec_of(half, "half", compression=packing)
            spec.tile_width = spec.tile_height = tiled
            file = f"exr-half-{packing}{'-tiled' if tiled else ''}.exr"
            write(file, half, spec)
            note(file, {c: half[..., i] for i, c in enumerate("RGBA")}, "RGBA")
    wide = rgba * 1000 - 7
    for packing in lossless:
        write(f"exr-float-{packing}.exr", wide, spec_of(wide, "float", compression=packing))
        note(f"exr-float-{packing}.exr", {c: wide[..., i] for i, c in enumerate("RGBA")}, "RGBA")
    # Lossy: what OpenEXR itself reads back, within the rounding of two inverse transforms to half.
    for packing, tolerance in (("b44", 0.0), ("b44a", 0.0), ("dwaa", 2e-3), ("dwab", 2e-3)):
        write(f"exr-{packing}.exr", half, spec_of(half, "half", compression=packing))
        by_reading(f"exr-{packing}.exr", "RGBA", tolerance)
    write("exr-down.exr", half, spec_of(half, "half", compression="zip", openexr__lineOrder="decreasingY"))
    note("exr-down.exr", {c: half[..., i] for i, c in enumerate("RGBA")}, "RGBA")
    exr_windows()
    grey = half[..., :1]
    spec = spec_of(grey, "half", compression="zip")
    spec.channelnames = ["Y"]
    write("exr-grey.exr", grey, spec)
    note("exr-grey.exr", {"Y": grey[..., 0]}, ["Y"])
    for packing in ("zip", "piz"):
        specs = [spec_of(half, "half", compression=packing, oiio__subimagename=n) for n in ("front", "back")]
        write(f"exr-parts-{packing}.exr", half, specs[0], [(specs[1], np.ascontiguousarray(half[::-1]))])
        note(f"exr-parts-{packing}.exr", {c: half[..., i] for i, c in enumerate("RGBA")}, "RGBA")


def exr_windows():
    for name, packing, origin, display in (
        ("inside", "zip", (5, 9), (0, 0, 100, 80)),
        ("over", "zips", (-6, -8), (0, 0, 50, 30)),
        ("far", "zip", (-1_000_000_000, 1_000_000_000), (0, 0, 20, 10)),
        ("piz", "piz", (-6, 4), (-3, 2, 50, 30)),
    ):
        spec = spec_of(half, "half", compression=packing)
        spec.x, spec.y = origin
        spec.full_x, spec.full_y, spec.full_width, spec.full_height = display
        file = f"exr-window-{name}.exr"
        write(file, half, spec)
        shown = np.zeros((display[3], display[2], 4), np.float32)
        for y in range(display[3]):
            for x in range(display[2]):
                sx, sy = x + display[0] - origin[0], y + display[1] - origin[1]
                if 0 <= sx < W and 0 <= sy < H:
                    shown[y, x] = half[sy, sx]
        note(file, {c: shown[..., i] for i, c in enumerate("RGBA")}, "RGBA")


def integer_files():
    straight = {"oiio__UnassociatedAlpha": 1}
    for kind, largest in (("uint8", 255), ("uint16", 65535)):
        codes = np.round(np.clip(rgba, 0, 1) * largest).astype(kind)
        values = codes.astype(np.float32) / np.float32(largest)
        for ending, packings in (("png", ["zip"]), ("tif", ["none", "lzw", "zip", "packbits"])):
            for count, names in ((1, "Y"), (2, "YA"), (3, "RGB"), (4, "RGBA")):
                part = codes[..., [0, 3]] if count == 2 else codes[..., :count]
                planes = {c: values[..., "RGBA".index("R" if c == "Y" else c)] for c in names}
                if names == "YA":
                    planes, names = {c: planes["A" if c == "A" else "Y"] for c in "RGBA"}, "RGBA"
                for packing in packings:
                    file = f"{ending}-{kind}-{count}-{packing}.{ending}"
                    write(file, part, spec_of(part, kind, compression=packing, **straight))
                    note(file, planes, list(names), 1e-7, count % 2 == 0)
    codes = np.round(np.clip(rgba[..., :3], 0, 1) * 65535).astype("uint16")
    planes = {c: codes[..., i].astype(np.float32) / np.float32(65535) for i, c in enumerate("RGB")}
    write("tif-planes.tif", codes, spec_of(codes, "uint16", planarconfig="separate", compression="lzw"))
    note("tif-planes.tif", planes, "RGB", 1e-7)
    spec = spec_of(codes, "uint16", compression="zip")
    spec.tile_width = spec.tile_height = 16
    write("tif-tiled.tif", codes, spec)
    note("tif-tiled.tif", planes, "RGB", 1e-7)
    wide = rgba[..., :3] * 50 - 3
    for packing in ("none", "zip", "lzw"):
        write(f"tif-float-{packing}.tif", wide, spec_of(wide, "float", compression=packing))
        note(f"tif-float-{packing}.tif", {c: wide[..., i] for i, c in enumerate("RGB")}, "RGB")
    write("tif-joined.tif", rgba, spec_of(rgba, "float", compression="none"))
    note("tif-joined.tif", {c: rgba[..., i] for i, c in enumerate("RGBA")}, "RGBA")


def dpx_files():
    for bits in (8, 10, 12, 16):
        largest = (1 << bits) - 1
        for endian in ("big", "little"):
            codes = np.round(np.clip(rgba[..., :3], 0, 1) * largest)
            # The code at the top of sixteen bits, repeated below, is what the writer cuts down again.
            wide = codes * (65535 / largest)
            array = codes.astype("uint8") if bits == 8 else np.round(wide).astype("uint16")
            spec = spec_of(array, "uint8" if bits == 8 else "uint16", oiio__BitsPerSample=bits, oiio__Endian=endian)
            # The writer packs 12 bits without gaps whatever it is told.
            for packing in ("Packed",) if bits == 12 else ("Packed", "Filled, method A", "Filled, method B"):
                spec["dpx:Packing"] = packing
                file = f"dpx-{bits}-{endian}-{packing[-1]}.dpx"
                write(file, array, spec)
                note(file, {c: codes[..., i] / largest for i, c in enumerate("RGB")}, "RGB", 1e-6)


def jpeg_files():
    codes = np.round(np.clip(rgba[..., :3], 0, 1) * 255).astype("uint8")
    # Decoders may round inverse transforms and colour matrices by a few codes; enlarging of chroma is the
    # decoder's choice, so that sub-sampled files are compared more loosely.
    for progressive in (0, 1):
        for sampling, tolerance in (("4:4:4", 3 / 255), ("4:2:0", 8 / 255)):
            name = f"jpeg-{sampling.replace(':', '')}-{progressive}.jpg"
            spec = spec_of(codes, "uint8", compression="jpeg:92", jpeg__progressive=progressive)
            spec["jpeg:subsampling"] = sampling
            write(name, codes, spec)
            by_reading(name, "RGB", tolerance)
    grey = codes[..., :1]
    write("jpeg-grey.jpg", grey, spec_of(grey, "uint8", compression="jpeg:92"))
    by_reading("jpeg-grey.jpg", "Y", 2 / 255)


def refused_files():
    for packing, part in (("htj2k256", "HTJ2K"), ("htj2k32", "HTJ2K"), ("zstd", "ZSTD")):
        write(f"exr-{packing}.exr", half, spec_of(half, "half", compression=packing))
        theirs.append({"file": f"exr-{packing}.exr", "refused": part})
    deep = oiio.DeepData()
    spec = spec_of(half, "half")
    spec.deep = True
    spec.channelnames = ["R", "G", "B", "A"]
    deep.init(spec)
    deep.set_samples(0, 1)
    out = oiio.ImageOutput.create(path("exr-deep.exr"))
    if not (out.open(path("exr-deep.exr"), spec) and out.write_deep_image(deep)):
        raise RuntimeError(out.geterror())
    out.close()
    theirs.append({"file": "exr-deep.exr", "refused": "deep data"})


ours = json.load(open(path("ours.json")))
for entry in ours:
    fault = check_ours(entry)
    if fault:
        faults.append(f"{entry['file']}: {fault}")
for make in (exr_files, integer_files, dpx_files, jpeg_files, refused_files):
    make()
json.dump(theirs, open(path("theirs.json"), "w"))
for fault in faults:
    print(fault, file=sys.stderr)
print(f"OpenImageIO {oiio.__version__}: {len(ours)} files of ours read, {len(theirs)} written")
sys.exit(1 if faults else 0)
