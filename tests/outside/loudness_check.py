"""Seconds that pyloudnorm takes for the integrated loudness of a sound file: `loudness_check.py time FILE`."""

import sys
import time

import numpy
import pyloudnorm
from scipy.io import wavfile

rate, samples = wavfile.read(sys.argv[2])
samples = numpy.asarray(samples, dtype=numpy.float64)
meter = pyloudnorm.Meter(rate)
began = time.perf_counter()
meter.integrated_loudness(samples)
print(time.perf_counter() - began)
