"""The harnesses are modules of their own, which pytest's importlib mode does not find by itself."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
