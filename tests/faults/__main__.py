"""Long proofs that nothing is lost and nothing sent twice; run from the root of the repository.

    python -m tests.faults gateway --messages 10000 --share 0.2 --seed 1 --engine sqlite
    python -m tests.faults kill --kills 300 --messages 3000 --seed 1 --engine postgresql

Each prints a table, and ends with 1 when the promise was broken.
"""

from __future__ import annotations

import argparse
import logging
import sys
from pathlib import Path

# Builders, fakes and the harnesses are modules that pytest finds on these paths, too.
for folder in (Path(__file__).parent, Path(__file__).parents[1]):
    sys.path.insert(0, str(folder))


def main() -> int:
    given = _parser().parse_args()
    logging.disable(logging.WARNING)  # nearly everything here goes wrong on purpose
    if given.command == "gateway":
        import gateway_run

        holds = gateway_run.main(
            gateway_run.Plan(given.messages, given.share, given.seed), given.engine
        )
    else:
        import kill_run

        holds = kill_run.main(kill_run.Plan(given.kills, given.messages, given.engine, given.seed))
    return 0 if holds else 1


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m tests.faults")
    commands = parser.add_subparsers(dest="command", required=True)
    gateway = commands.add_parser("gateway", help="a gateway and a mail server that misbehave")
    gateway.add_argument("--share", type=float, default=0.2, help="part of all that goes wrong")
    kill = commands.add_parser("kill", help="processes of the service killed at random")
    kill.add_argument("--kills", type=int, default=300)
    for command in (gateway, kill):
        command.add_argument("--messages", type=int, default=10_000 if command is gateway else 3000)
        command.add_argument("--seed", type=int, default=1)
        command.add_argument("--engine", choices=["sqlite", "postgresql"], default="sqlite")
    return parser


if __name__ == "__main__":
    sys.exit(main())
