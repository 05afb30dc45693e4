# Sourced by the other tools: leaves $root, the project's folder, and $python, an interpreter that has the project
# and its tools ($extra, all unless set). It lives in .venv and is made, or brought up to date, when it has to be.

root=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd -P)

for candidate in python3.11 python3 python; do
    # On the path is not enough: a version manager's stand-in may have nothing behind it.
    if "$candidate" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
        "$candidate" "$root/tools/environment.py" "${extra-test}" || exit 1
        python=$root/.venv/bin/python
        break
    fi
done
if [ -z "${python-}" ]; then
    echo "Python 3.11 or newer is needed, and neither python3.11 nor python3 is it" >&2
    exit 1
fi
