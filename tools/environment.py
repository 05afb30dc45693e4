"""Make .venv, or bring it up to date: the project in editable form, its dependencies at the pinned versions.

    environment.py demo     what the demonstration shows        environment.py test     everything

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


def wanted(extra: str) -> str:
    """What the environment has to have been made from."""
    made_from = f"{sys.version} {ROOT} {extra}".encode()
    parts = [(ROOT / "pyproject.toml").read_bytes(), PINS.read_bytes(), made_from]
    return hashlib.sha256(b"\0".join(parts)).hexdigest()


def current(extra: str) -> bool:
    """Is it there, and made from just that? What tests are run with has all that is demonstrated."""
    made = PYTHON.exists() and STAMP.exists()
    return made and STAMP.read_text(encoding="ascii") in (wanted(extra), wanted("test"))


def make(extra: str) -> None:
    """Make it anew where it is missing or half made, and install."""
    if not (PYTHON.exists() and STAMP.exists()):
        run(sys.executable, "-m", "venv", "--clear", str(VENV))
    STAMP.unlink(missing_ok=True)
    # The builder comes first and from the same pins: an isolated build would fetch whatever is newest.
    pip = (str(PYTHON), "-m", "pip", "install", "-qq", "--disable-pip-version-check", "-c", str(PINS))
    run(*pip, "hatchling", "editables")
    run(*pip, "--no-build-isolation", "--editable", f"{ROOT}[{extra}]")
    if extra == "test" and not succeeds(*pip, "--editable", f"{ROOT}[cfx]"):
        print(
            "AMQP needs a C compiler to be built here: tests of CFX over the wire are skipped",
            file=sys.stderr,
        )
    STAMP.write_text(wanted(extra), encoding="ascii")


def run(*command: str) -> None:
    """Run a step, or stop with what it said."""
    if not succeeds(*command):
        sys.exit(f"this step failed: {' '.join(command)}")


def succeeds(*command: str) -> bool:
    """Run a step."""
    return subprocess.run(command, cwd=ROOT, check=False).returncode == 0


def main() -> None:
    """Two tools started at once must not both install."""
    extra = sys.argv[1] if len(sys.argv) > 1 else "test"
    with (ROOT / "pyproject.toml").open("rb") as held:
        fcntl.flock(held, fcntl.LOCK_EX)
        if current(extra):
            return
        try:
            import ensurepip  # noqa: F401
        except ImportError:
            sys.exit("this Python cannot make environments: on Debian, apt-get install python3-venv")
        print("preparing .venv (once, a minute or two)", file=sys.stderr)
        make(extra)


if __name__ == "__main__":
    main()
