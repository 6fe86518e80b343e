"""Known holes in the packages we are built and tested with: what `pip-audit` says, and what not.

An index that holds no advisories cannot be asked: such packages are counted out loud, and do not
pass for sound. Exits 1 when a package has a known hole, 2 when nothing at all could be looked up
and `--must-know` was given.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Audit:
    """What was looked up, and what was found."""

    looked_up: int
    unknown: tuple[str, ...]  # packages that could not be looked up
    holes: tuple[str, ...]  # one line each

    def lines(self) -> list[str]:
        total = self.looked_up + len(self.unknown)
        said = [f"audit: {self.looked_up} of {total} packages looked up, {len(self.holes)} holes"]
        if self.unknown:
            said.append(f"audit: could not be looked up: {', '.join(self.unknown)}")
        return [*said, *(f"audit: {hole}" for hole in self.holes)]


def read_report(report: dict[str, Any]) -> Audit:
    """A report of `pip-audit --format json`."""
    found = report["dependencies"]
    unknown = tuple(one["name"] for one in found if "skip_reason" in one)
    known = [one for one in found if "skip_reason" not in one]
    return Audit(len(known), unknown, tuple(_holes(known)))


def _holes(known: Iterable[dict[str, Any]]) -> Iterable[str]:
    for one in known:
        for hole in one.get("vulns", ()):
            mended = ", ".join(hole.get("fix_versions", ())) or "no version yet"
            yield f"{one['name']} {one['version']}: {hole['id']}, mended in {mended}"


def run(requirements: str) -> Audit:
    """Ask about every package of a file of pinned ones. OSError, ValueError: it cannot be asked."""
    command = [
        *("pip-audit", "--requirement", requirements, "--no-deps", "--disable-pip"),
        *("--format", "json", "--progress-spinner", "off"),
    ]
    done = subprocess.run(command, capture_output=True, text=True, check=False)  # noqa: S603 - ours
    try:
        return read_report(json.loads(done.stdout))
    except (json.JSONDecodeError, KeyError, TypeError) as error:
        last = done.stderr.strip().splitlines()[-1:] or ["it said nothing"]
        raise ValueError(f"pip-audit gave no report: {last[0]}") from error


def main(arguments: list[str]) -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("requirements", help="file of pinned packages")
    parser.add_argument(
        "--must-know", action="store_true", help="fail where nothing could be looked up"
    )
    given = parser.parse_args(arguments)
    try:
        audit = run(given.requirements)
    except (OSError, ValueError) as error:
        sys.stdout.write(f"audit: not done: {error}\n")
        return 2 if given.must_know else 0
    sys.stdout.write("\n".join(audit.lines()) + "\n")
    if audit.holes:
        return 1
    return 2 if given.must_know and not audit.looked_up else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
