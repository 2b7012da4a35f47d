"""Does the log of the README's first command say what it must? ``check_main_job.py LOG SECONDS``.

Not more than three minutes, all 40 children, every kind of answer, and figures that fit together.
"""

import re
import sys
from pathlib import Path

LIMIT_SECONDS = 180


def faults(log: str, seconds: int) -> list[str]:
    """Sentences about what is missing or wrong; none when all is well."""
    found = [] if seconds <= LIMIT_SECONDS else [f"it took {seconds} s"]
    programmes = re.search(r"^Programmes +(\d+) accepted, (\d+) changed later$", log, re.MULTILINE)
    if not programmes or programmes[1] != "40" or int(programmes[2]) < 1:
        found.append("the programmes of 40 children, some of them changed")
    rows = re.search(
        r"^Session logs (\d+) rows: (\d+) accepted, (\d+) amended, (\d+) duplicate, (\d+) refused$",
        log,
        re.MULTILINE,
    )
    if not rows or sum(map(int, rows.groups()[1:])) != int(rows[1]):
        found.append("session rows whose ends add up")
    elif log.count("\n    refused ") < 1:
        found.append("the reasons of refusals")
    if not re.search(r"^Validation +\d+ resources checked as stored, 0 with errors$", log, re.M):
        found.append("resources that all validate")
    children = re.findall(r"^C-\d\d +\d+ / \d+ +\d+\.\d% +\d+\.\d to \d+\.\d ", log, re.MULTILINE)
    if len(children) < 38:
        found.append(f"adherence with interval for nearly every child, not {len(children)}")
    extract = re.search(r"^k (\d+) \(asked (\d+)\).* (\d+) classes, (\d+) children$", log, re.M)
    if not extract or int(extract[1]) < int(extract[2]) or int(extract[3]) < 3:
        found.append("a registry extract of three classes or more that holds its k")
    if "suppressed" not in log:
        found.append("the suppressed share")
    return found


if __name__ == "__main__":
    missing = faults(Path(sys.argv[1]).read_text(encoding="utf-8"), int(sys.argv[2]))
    for sentence in missing:
        sys.stderr.write(f"The main job should show: {sentence}\n")
    raise SystemExit(bool(missing))
