"""The commands that README.md and DEVELOPERS.md promise, by name.

A command is a fenced block behind a comment of the form ``<!-- command: NAME -->``.
Run as a script it prints the command of that name: ``python tests/docs/readme.py run``.
"""

import re
import sys
from pathlib import Path

_HOME = Path(__file__).resolve().parents[2]
_BLOCK = re.compile(r"<!-- command: (?P<name>[a-z-]+) -->\n```\w*\n(?P<text>.*?)\n```", re.DOTALL)


def commands(page: str = "README.md") -> dict[str, str]:
    """Name to shell text of every named command on a page of the project."""
    text = (_HOME / page).read_text(encoding="utf-8")
    return {match["name"]: match["text"] for match in _BLOCK.finditer(text)}


if __name__ == "__main__":
    sys.stdout.write(commands()[sys.argv[1]] + "\n")
