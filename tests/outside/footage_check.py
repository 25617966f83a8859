"""Grades frames of a movie with OpenColorIO and holds the renders against that with OpenImageIO.

usage: footage_check.py MOVIE LIST LOOK
LIST is JSON: [{"render": path, "picture": index from 0, "exposure": stops, "slope": [3], "offset": [3], "power": [3],
"saturation": number}, ...].

The frame's codes come from ffmpeg with the same conversion of YUV to RGB as the film's (no second decoder would give
the same codes, and the codes are not what is checked); all that follows is done here: the inverse of ITU-R BT.709-6's
curve in 64 bits, exposure, then ASC CDL without clamp and the .cube with tetrahedral interpolation by OpenColorIO.
"""

import json
import subprocess
import sys

import numpy as np
import OpenImageIO as oiio
import PyOpenColorIO as ocio

WIDTH, HEIGHT = 640, 272
# A sample may be half a step of a 16-bit float away for the render, and once more for the picture that the plate
# stage hands over; a step is at most 2^-10 of the value. The plate's half step is carried through the grade, whose
# slope is below 4 everywhere that these frames lie.
RELATIVE, ABSOLUTE = 4e-3, 4e-4


def codes(movie, picture):
    select = f"select=eq(n\\,{picture})"
    scale = "scale=in_color_matrix=bt601:out_range=full:flags=bicubic+accurate_rnd+full_chroma_int+full_chroma_inp+bitexact"
    command = ["ffmpeg", "-v", "error", "-nostdin", "-i", movie, "-vf", f"{select},{scale},format=rgb48le"]
    command += ["-frames:v", "1", "-f", "rawvideo", "-pix_fmt", "rgb48le", "pipe:1"]
    raw = subprocess.run(command, check=True, capture_output=True).stdout
    return np.frombuffer(raw, "<u2").reshape(HEIGHT, WIDTH, 3).astype(np.float64) / 65535.0


def light(encoded):
    """The inverse of BT.709-6's curve; its two constants to the digits at which the pieces meet (BT.2020-2, table 4)."""
    alpha, beta = 1.09929682680944, 0.018053968510807
    return np.where(encoded < 4.5 * beta, encoded / 4.5, ((encoded + alpha - 1) / alpha) ** (1 / 0.45))


def graded(linear, entry, look):
    cdl = ocio.CDLTransform()
    cdl.setSlope(entry["slope"])
    cdl.setOffset(entry["offset"])
    cdl.setPower(entry["power"])
    cdl.setSat(entry["saturation"])
    cdl.setStyle(ocio.CDL_NO_CLAMP)
    file = ocio.FileTransform(look, interpolation=ocio.INTERP_TETRAHEDRAL)
    group = ocio.GroupTransform([cdl, file])
    processor = ocio.Config.CreateRaw().getProcessor(group)
    cpu = processor.getOptimizedCPUProcessor(ocio.OPTIMIZATION_NONE)
    pixels = np.ascontiguousarray(linear * 2.0 ** entry["exposure"], np.float32)
    cpu.applyRGB(pixels)
    return pixels.astype(np.float64)


def render(path):
    buffer = oiio.ImageBuf(path)
    names = list(buffer.spec().channelnames)
    pixels = buffer.get_pixels(oiio.FLOAT).astype(np.float64)
    assert pixels.shape[:2] == (HEIGHT, WIDTH), pixels.shape
    return pixels[:, :, [names.index(c) for c in "RGB"]]


def main():
    movie, listing, look = sys.argv[1:]
    with open(listing, encoding="utf-8") as file:
        entries = json.load(file)
    faults, worst = [], 0.0
    for entry in entries:
        expect = graded(light(codes(movie, entry["picture"])), entry, look)
        got = render(entry["render"])
        off = np.abs(got - expect)
        share = off / (RELATIVE * np.abs(expect) + ABSOLUTE)
        worst = max(worst, float(share.max()))
        assert np.ptp(expect) > 0.1, "a flat picture checks nothing"
        if not (share <= 1).all():
            faults.append(f"{entry['render']}: off by {off.max():.6f}, {share.max():.2f} of the tolerance")
    print(f"{len(entries)} frames, {len(entries) * WIDTH * HEIGHT * 3} samples; worst {worst:.3f} of the tolerance")
    if faults:
        sys.exit("\n".join(faults))


main()
