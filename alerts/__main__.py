"""``python -m alerts`` and the ``cutcall`` command."""

from __future__ import annotations

import sys


def main() -> None:
    """Run the command; a wrong setting ends in one sentence instead of a traceback."""
    from alerts.cli import app
    from alerts.domain.errors import ConfigurationError, CutcallError

    try:
        app()
    except (ConfigurationError, CutcallError) as error:
        sys.stderr.write(f"cutcall: {error}\n")
        sys.exit(2 if isinstance(error, ConfigurationError) else 1)


if __name__ == "__main__":
    main()
