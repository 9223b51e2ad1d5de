"""Where the built tool is, and how the notebooks and scripts call it: they read what it writes and compute none of it."""

import json
import os
import pathlib
import subprocess

ROOT = pathlib.Path(__file__).resolve().parent.parent
BUILT = pathlib.Path(os.environ.get("CARGO_TARGET_DIR", ROOT / "target")).resolve() / "release"


def bitterend(*words):
    """Runs the tool and gives its stdout. Exit code 1 means done, with a verdict against a line; 2 that nothing was done."""
    command = [BUILT / "bitterend", *map(str, words), "--quiet"]
    done = subprocess.run(command, capture_output=True, text=True)
    if done.returncode not in (0, 1):
        raise RuntimeError(f"{' '.join(map(str, command))}: {done.stderr}")
    return done.stdout


def outside():
    """Figures of the tool's fits on the oracle data, by method, set and name: the study program `tests/bench/outside.rs`."""
    done = subprocess.run([BUILT / "examples" / "outside"], capture_output=True, text=True, check=True)
    return {(f["method"], f["set"], f["figure"]): f["value"] for f in json.loads(done.stdout)}
