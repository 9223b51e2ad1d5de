"""Merely reads a log with polars, as a yardstick for the speed of reading: read_with_polars.py LOG

polars==2.1.0
"""

import sys
import time

import polars

begun = time.perf_counter()
frame = polars.read_csv(sys.argv[1])
print(f"{frame.height} rows, {time.perf_counter() - begun:.2f} s")
