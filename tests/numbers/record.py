"""Keep the numbers as they are now: `python -m tests.numbers.record [CASE ...]`."""

import sys
from pathlib import Path

from tests.numbers.cases import CASES
from tests.numbers.fingerprint import fingerprint

FOLDER = Path(__file__).parent / "kept"


def _file(case: str) -> Path:
    return FOLDER / f"{case.replace(' ', '-')}.txt"


def kept(case: str) -> dict[str, str]:
    """The fingerprint of a case as it was kept."""
    lines = _file(case).read_text(encoding="utf-8").splitlines()
    return dict(line.split("\t") for line in lines)


def main() -> None:
    """Record the cases named, or all."""
    FOLDER.mkdir(exist_ok=True)
    for case in sys.argv[1:] or CASES:
        rows = fingerprint(CASES[case]())
        _file(case).write_text("".join(f"{path}\t{told}\n" for path, told in rows.items()), encoding="utf-8")
        print(f"{case}: {len(rows)} paths")


if __name__ == "__main__":
    main()
