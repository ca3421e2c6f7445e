"""`python -m tests.golden.rewrite`: write every out.gcode anew; the diff is what to review."""

from __future__ import annotations

import sys

from tests.golden.cases import CASES, film, without_stamp


def main() -> int:
    for case in CASES:
        data = without_stamp(film(case).data)
        out = case / "out.gcode"
        same = out.is_file() and out.read_bytes() == data
        out.write_bytes(data)
        print(f"{case.name}: {'as it was' if same else 'written anew'}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
