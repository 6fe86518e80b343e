"""Print the one command that README gives under a heading, so that CI runs what people run."""

import re
import sys
from pathlib import Path

heading = sys.argv[1]
readme = (Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8")
found = re.search(rf"^## {re.escape(heading)}\n.*?^```\n(.+?)\n```$", readme, re.M | re.S)
if found is None or "\n" in found.group(1):
    sys.exit(f"README.md: no single command under the heading '{heading}'")
sys.stdout.write(found.group(1) + "\n")
