"""The tour in README.md: its commands and what they print, at 100 columns.

    python tests/cli/readme_tour.py

writes the printed blocks anew. A block names its command in the line above it; "[...]" stands for what is left out.
"""

import os
import re
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
README = ROOT / "README.md"
CUT = "[...]"
# What each block shows: from a line that starts so, up to one that starts so ("" is the first and the last line).
SHOWN = {
    "CHECK": (("", ""),),
    "REVIEW": (("", "Balance: rear over"), ("Rear damping", "Laps")),
    "COMPARE": (("", "After against before"),),
    "STAND": (("", "Every number"),),
}


@dataclass(frozen=True)
class Block:
    """One block of the tour: its name, its command without ``bothends``, and its text."""

    name: str
    command: tuple[str, ...]
    text: str


def blocks(readme: str) -> list[Block]:
    """The blocks of a README, in order."""
    found = re.findall(r"`bothends ([^`]+)`\n<!-- (\w+) -->\n```\n(.*?)\n```", readme, re.S)
    return [Block(name, tuple(command.split()), text) for command, name, text in found]


def printed(command: tuple[str, ...]) -> list[str]:
    """The lines that a command prints."""
    tool = Path(sys.executable).parent / "bothends"
    done = subprocess.run(
        [tool, *command], cwd=ROOT, env={**os.environ, "COLUMNS": "100"}, capture_output=True, text=True, check=True
    )  # fmt: skip
    return [line.rstrip() for line in done.stdout.splitlines()]


def shown(name: str, lines: list[str]) -> str:
    """What a block shows of what its command prints."""
    text: list[str] = []
    for start, stop in SHOWN[name]:
        first = next(i for i, line in enumerate(lines) if line.startswith(start))
        last = next(
            (i for i in range(first + 1, len(lines)) if stop and lines[i].startswith(stop)), len(lines)
        )
        text += [*lines[first:last], *([CUT, ""] if last < len(lines) else [])]
    return re.sub(r"\n{3,}", "\n\n", "\n".join(text)).strip()


if __name__ == "__main__":
    readme = README.read_text(encoding="utf-8")
    for block in blocks(readme):
        readme = readme.replace(block.text, shown(block.name, printed(block.command)))
    README.write_text(readme, encoding="utf-8")
