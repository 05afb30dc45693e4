"""The table of RESULTS.md from the lines that `--log` wrote: runs of one parser with several seeds are one row.

python tools/fuzz/results.py tools/fuzz/results.jsonl
"""

import json
import sys
from collections import defaultdict
from pathlib import Path
from typing import Any


def table(runs: list[dict[str, Any]]) -> str:
    """As Markdown."""
    rows: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for run in runs:
        rows[run["parser"]].append(run)
    lines = [
        "| parser | seeds | minutes | tries | findings | most MB a try | most MB the process | commit |",
        "|" + "---|" * 8,
    ]
    for parser, found in sorted(rows.items()):
        lines.append(
            f"| {parser} | {', '.join(str(run['seed']) for run in found)} | {sum(run['minutes'] for run in found):.0f} |"
            f" {sum(run['tries'] for run in found):,} | {sum(run['findings'] for run in found)} |"
            f" {max(run['try_mb'] for run in found):.0f} | {max(run['process_mb'] for run in found)} |"
            f" {', '.join(sorted({run['commit'] for run in found}))} |"
        )
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    print(
        table(
            [json.loads(line) for path in sys.argv[1:] for line in Path(path).read_text("utf-8").splitlines()]
        ),
        end="",
    )
