"""What pyloudnorm makes of the integrated loudness of a sound file.

`loudness_check.py time FILE` prints the seconds that it takes, `loudness_check.py measure FILE` the loudness in LUFS.
"""

import sys
import time

import numpy
import pyloudnorm
from scipy.io import wavfile

rate, samples = wavfile.read(sys.argv[2])
whole = numpy.issubdtype(samples.dtype, numpy.integer)
# Of 24 bits scipy gives the upper ones of 32.
samples = numpy.asarray(samples, dtype=numpy.float64) / (2.0 ** (8 * samples.dtype.itemsize - 1) if whole else 1.0)
meter = pyloudnorm.Meter(rate)
began = time.perf_counter()
loudness = meter.integrated_loudness(samples)
print(loudness if sys.argv[1] == "measure" else time.perf_counter() - began)
