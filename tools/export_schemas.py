#!/usr/bin/env python3
"""Write the schemas anew after a change of the models: the command `schemas --out schemas` from any folder."""

import sys
from pathlib import Path

from broker_bridge.cli.main import main

if __name__ == "__main__":
    sys.exit(main(["schemas", "--out", str(Path(__file__).resolve().parents[1] / "schemas"), *sys.argv[1:]]))
