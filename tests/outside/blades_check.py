"""Light of a line on a surface, by numerical integration of inverse squares and Lambert's cosine.

Reads JSON: the line's ends, the distance of the surface, places; writes what falls on each of them for a line that gives 1
on each unit of its length. Source: scipy.integrate.quad (QUADPACK).
"""
import json
import sys

from scipy.integrate import quad

question = json.load(sys.stdin)
x0, y0, x1, y1 = question["ends"]
h = question["distance"]
length = ((x1 - x0) ** 2 + (y1 - y0) ** 2) ** 0.5


def falls(px, py):
    def point(u):
        dx, dy = x0 + (x1 - x0) * u - px, y0 + (y1 - y0) * u - py
        r = (dx * dx + dy * dy + h * h) ** 0.5
        return h / r * length / (r * r)

    return quad(point, 0, 1, epsabs=1e-12, epsrel=1e-10)[0]


json.dump([falls(*place) for place in question["places"]], sys.stdout)
