"""Write the reference of both input files into the README again: python tests/update_reference.py.

Needed after a change of what the readers accept or of its words; a test says so.
"""

from __future__ import annotations

import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
README = ROOT / "README.md"


def main() -> None:
    sys.path.insert(0, str(ROOT))
    from reports.reference import BEGIN, END, reference

    text = README.read_text(encoding="utf-8")
    before, _, rest = text.partition(BEGIN)
    _, mark, after = rest.partition(f"{END}\n")
    if not mark:
        sys.exit("the README lacks the two marks between which the reference stands")
    README.write_text(before + reference() + after, encoding="utf-8")


if __name__ == "__main__":
    main()
