"""Make .venv, or bring it up to date: the project in editable form, its dependencies at the pinned versions.

Runs on a bare Python 3.11. Does nothing when neither pyproject.toml nor the pins have changed since.
"""

import fcntl
import hashlib
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
VENV = ROOT / ".venv"
PYTHON = VENV / "bin" / "python"
STAMP = VENV / "installed"
PINS = ROOT / "tools" / "constraints.txt"


def wanted() -> str:
    """What the environment has to have been made from."""
    parts = [(ROOT / "pyproject.toml").read_bytes(), PINS.read_bytes(), f"{sys.version} {ROOT}".encode()]
    return hashlib.sha256(b"\0".join(parts)).hexdigest()


def current() -> bool:
    """Is it there, and made from just that?"""
    return PYTHON.exists() and STAMP.exists() and STAMP.read_text(encoding="ascii") == wanted()


def make() -> None:
    """Make it anew where it is missing or half made, and install."""
    if not (PYTHON.exists() and STAMP.exists()):
        run(sys.executable, "-m", "venv", "--clear", str(VENV))
    STAMP.unlink(missing_ok=True)
    # The builder comes first and from the same pins: an isolated build would fetch whatever is newest.
    pip = (str(PYTHON), "-m", "pip", "install", "-qq", "--disable-pip-version-check", "-c", str(PINS))
    run(*pip, "hatchling", "editables")
    run(*pip, "--no-build-isolation", "--editable", f"{ROOT}[test]")
    STAMP.write_text(wanted(), encoding="ascii")


def run(*command: str) -> None:
    """Run a step, or stop with what it said."""
    if subprocess.run(command, cwd=ROOT, check=False).returncode:
        sys.exit(f"this step failed: {' '.join(command)}")


def main() -> None:
    """Two tools started at once must not both install."""
    with (ROOT / "pyproject.toml").open("rb") as held:
        fcntl.flock(held, fcntl.LOCK_EX)
        if current():
            return
        try:
            import ensurepip  # noqa: F401
        except ImportError:
            sys.exit("this Python cannot make environments: on Debian, apt-get install python3-venv")
        print("preparing .venv (once, about a minute)", file=sys.stderr)
        make()


if __name__ == "__main__":
    main()
