"""A comparable analysis with pandas and scipy: analyse_with_scipy.py LOG OUT

Reads the log, averages it into blocks, fits a polynomial stretch to the travel, finds the break of two straights in the
travel left over against the load with 200 resamples, and draws four charts. Not the same model, but the same kind of work.

pandas==3.1.1 scipy==1.17.1 numpy==2.4.6 matplotlib==3.11.2
"""

import hashlib
import pathlib
import sys
import time

import matplotlib

matplotlib.use("svg")
import matplotlib.pyplot as pyplot
import numpy
import pandas
from scipy import optimize

begun = time.perf_counter()
log, out = pathlib.Path(sys.argv[1]), pathlib.Path(sys.argv[2])
out.mkdir(parents=True, exist_ok=True)
with open(log, "rb") as file:
    digest = hashlib.file_digest(file, "sha256").hexdigest()
frame = pandas.read_csv(log)
time_s, load, travel = (frame.iloc[:, i].to_numpy() for i in range(3))

# Blocks.
edges = numpy.linspace(0, len(frame), 1001).astype(int)
sizes = numpy.diff(edges)
t, f, x = (numpy.add.reduceat(v, edges[:-1]) / sizes for v in (time_s, load, travel))

# Stretch: a cubic in the load, with a set that follows the highest load so far.
highest = numpy.maximum.accumulate(f)
columns = numpy.column_stack([numpy.ones_like(f), f, f**2, f**3, highest])
found, *_ = numpy.linalg.lstsq(columns, x, rcond=None)
left = x - columns[:, :4] @ found[:4]


def bent(load, level, slope, at, steeper):
    return level + slope * load + steeper * numpy.maximum(load - at, 0.0)


rising = numpy.flatnonzero(f >= highest - 0.01 * highest.max())
start = [left[rising[0]], 0.1, 0.6 * f.max(), 1.0]
fit, _ = optimize.curve_fit(bent, f[rising], left[rising], p0=start, maxfev=4000)
random = numpy.random.default_rng(1)
residual = left[rising] - bent(f[rising], *fit)
limits = []
for _ in range(200):
    again = bent(f[rising], *fit) + random.choice(residual, residual.size)
    try:
        limits.append(optimize.curve_fit(bent, f[rising], again, p0=fit, maxfev=2000)[0][2])
    except RuntimeError:
        pass
low, high = numpy.percentile(limits, [2.5, 97.5])

for name, across, up in [
    ("time", t, x),
    ("load-travel", f, x),
    ("slip-load", f, left),
    ("residual", f[rising], residual),
]:
    figure, axes = pyplot.subplots()
    axes.plot(across, up)
    figure.savefig(out / f"{name}.svg")
    pyplot.close(figure)
pandas.DataFrame({"time_s": t, "load": f, "travel": x, "left": left}).to_csv(out / "blocks.csv")
(out / "result.txt").write_text(f"{digest}\nlimit {fit[2]:.3f} ({low:.3f} to {high:.3f})\n")
print(f"{len(frame)} rows, {time.perf_counter() - begun:.2f} s")
