"""Many pulls through a batch engine: many_pulls_in_a_batch_engine.py [--pulls N]

A worked example for whoever has thousands of logs and an engine that runs jobs (here Dask on one machine, threads that call
the tool). Each job makes one small simulated pull, analyses it and keeps `analysis.json` and one row of `pulls.parquet`: a
job needs no other job, so it may run anywhere. The rows become one Parquet dataset partitioned by pair, which `compare` reads
in place of the pulls. At the end the raw folders are compared too, log by log, and the two results must be the same.
"""

import argparse
import json
import pathlib
import resource
import shutil
import tempfile
import time

import dask
import polars

import tool

# The shortest log among the kinds that are read by a logger: about 770 rows.
KIND = "single-ramp"


def one_pull(seed, scratch):
    """A job: makes and analyses one pull, and gives its row of the archive."""
    name = f"pull-{seed:05}"
    pull, finished, row = scratch / "pulls" / name, scratch / "finished" / name, scratch / "rows" / name
    tool.bitterend("simulate", pull, "--kind", KIND, "--seed", seed)
    results = scratch / "results" / name
    tool.bitterend("analyse", pull, "--out", results)
    # Of the results only what a comparison reads is kept.
    finished.mkdir(parents=True)
    shutil.move(results / "analysis.json", finished)
    shutil.rmtree(results)
    tool.bitterend("compare", finished, "--out", row)
    table = polars.read_parquet(row / "pulls.parquet")
    shutil.rmtree(row)
    return table


def timed(what, work):
    begun = time.perf_counter()
    done = work()
    print(f"{what}: {time.perf_counter() - begun:.1f} s", flush=True)
    return done


def compared(scratch, source):
    """What `compare` says of these pulls: the machine file, and the report as people read it."""
    place = scratch / f"comparison-of-{source}"
    tool.bitterend("compare", scratch / source, "--rule", "first-slip", "--out", place)
    return json.loads((place / "comparison.json").read_text()), (place / "report.md").read_text()


def main(pulls, scratch):
    jobs = [dask.delayed(one_pull)(seed, scratch) for seed in range(1, pulls + 1)]
    rows = timed(f"{pulls} pulls made and analysed", lambda: dask.compute(*jobs, scheduler="threads"))
    archive = scratch / "archive"
    polars.concat(rows).write_parquet(archive, partition_by="pair")
    parts = sorted(archive.rglob("*.parquet"))
    print(f"archive: {len(parts)} parts, {sum(p.stat().st_size for p in parts) / 1e6:.1f} MB")
    print(polars.scan_parquet(archive, hive_partitioning=True).group_by("pair").len().sort("pair").collect())

    from_archive, report = timed("compare the archive", lambda: compared(scratch, "archive"))
    from_finished, _ = timed("compare the finished analyses", lambda: compared(scratch, "finished"))
    from_logs, report_of_logs = timed("compare the raw folders, log by log", lambda: compared(scratch, "pulls"))

    assert len(from_logs["pulls"]) == pulls, f"{len(from_logs['pulls'])} of {pulls} pulls were compared"
    assert from_finished == from_logs, "finished analyses and raw folders differ"
    for part in from_logs:
        assert from_archive[part] == from_logs[part], f"the archive and the raw folders differ in `{part}`"
    assert report == report_of_logs, "the reports differ"
    peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
    print(f"the same from archive, finished analyses and raw folders; largest process {peak / 1024:.0f} MB")


if __name__ == "__main__":
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    words.add_argument("--pulls", type=int, default=16)
    wishes = words.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        main(wishes.pulls, pathlib.Path(folder))
