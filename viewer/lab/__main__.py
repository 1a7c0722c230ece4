"""``python -m viewer.lab OUT [--only NAME]``: render the sample clips with their truth."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from viewer.lab.clips import recipes
from viewer.lab.truth import render


def main(argv: list[str] | None = None) -> int:
    """Render all sample clips, or those named, into a folder."""
    parser = argparse.ArgumentParser(prog="python -m viewer.lab", description=__doc__)
    parser.add_argument("out", type=Path)
    parser.add_argument("--only", action="append", metavar="NAME", help="render this clip alone; may be repeated")
    options = parser.parse_args(argv)
    known = {item.name: item for item in recipes()}
    names = options.only or list(known)
    unknown = [name for name in names if name not in known]
    if unknown:
        parser.error(f"no clip {unknown[0]!r}; there are {', '.join(known)}")
    options.out.mkdir(parents=True, exist_ok=True)
    for name in names:
        path, truth = render(known[name], options.out)
        print(f"{path.name}: {path.stat().st_size / 1e6:.2f} MB, {len(truth['values'])} true values", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
