"""How long a command, and the service up to its first tick, take to start."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory

from benchmarks.rows import Benchmark, Row, Size, at_most

YARDSTICK = [sys.executable, "-c", "import fastapi, sqlmodel"]
HELP = [sys.executable, "-m", "alerts", "--help"]
SERVE = [sys.executable, "-m", "alerts", "serve"]
TICKED = re.compile("tick 1 of ")
PATIENCE_S = 60.0


def run(size: Size) -> Iterator[Row]:
    times = 9 if size is Size.FULL else 2
    # By turns, so that whatever else the machine does falls on both.
    rounds = [(_whole(YARDSTICK), _whole(HELP), _to_first_tick()) for _ in range(times)]
    yardstick, shown, ticked = (median(one) for one in zip(*rounds, strict=True))
    yield Row("start", "cutcall --help", shown, yardstick, "s", at_most(1.3))
    yield Row("start", "service to its first tick", ticked, yardstick, "s", at_most(1.3))


def _whole(command: Sequence[str]) -> float:
    began = time.perf_counter()
    done = subprocess.run(command, capture_output=True, check=True)
    taken = time.perf_counter() - began
    if command is HELP and b"enrol" not in done.stdout:
        raise RuntimeError("the help shows no commands")
    return taken


def _to_first_tick() -> float:
    """From the call of `cutcall serve` on a database that is there, to its first tick."""
    with TemporaryDirectory() as folder:
        environment = os.environ | {
            "CUTCALL_DATABASE_URL": f"sqlite:///{folder}/cutcall.db",
            "CUTCALL_INBOX_DIR": f"{folder}/inbox",
            "CUTCALL_LOG_LEVEL": "DEBUG",
            "CUTCALL_WEB_PORT": "0",
            "PYTHONPATH": os.pathsep.join(sys.path),
        }
        subprocess.run(
            [*SERVE[:-1], "check"], cwd=folder, env=environment, check=True, capture_output=True
        )
        log = Path(folder) / "log"
        began = time.perf_counter()
        with log.open("w") as out:
            process = subprocess.Popen(SERVE, cwd=folder, env=environment, stdout=out, stderr=out)
            try:
                while not TICKED.search(log.read_text()):
                    if process.poll() is not None or time.perf_counter() - began > PATIENCE_S:
                        raise RuntimeError(f"the service did not tick: {log.read_text()[-500:]}")
                    time.sleep(0.005)
                return time.perf_counter() - began
            finally:
                process.kill()
                process.wait()


BENCHMARKS = [Benchmark("start", "from the call to the first word or tick", run)]
