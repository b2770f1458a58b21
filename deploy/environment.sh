# Sourced by deploy/rehearse and tests/run: make_environment WHAT puts a virtual environment with
# WHAT ('.[panel]' or '.[test]') into .venv of this checkout, and leaves it alone when nothing changed.
environment=$PWD/.venv

make_environment() {
    local python=${PYTHON:-python3} mark wanted
    if ! command -v "$python" >/dev/null; then
        echo "studiobridge needs python3, 3.11 or newer; none is on the PATH." >&2
        exit 2
    fi
    if ! "$python" -c 'import sys; sys.exit(sys.version_info < (3, 11))'; then
        echo "studiobridge needs Python 3.11 or newer; $python is $("$python" -V 2>&1)." >&2
        echo "Name another with PYTHON=..., for example PYTHON=python3.12 $0" >&2
        exit 2
    fi
    mark=$environment/.made-for
    local made="$("$python" -V 2>&1) $(cksum pyproject.toml)"
    wanted="$1 $made"
    # what the tests need holds all that a rehearsal does
    if [ -f "$mark" ] && { [ "$(cat "$mark")" = "$wanted" ] || [ "$(cat "$mark")" = ".[test] $made" ]; }; then
        return
    fi
    echo "Making a virtual environment in .venv (once; a minute or so) ..." >&2
    if ! "$python" -m venv --clear "$environment"; then
        echo "python3 has no venv here. On Debian: apt-get install python3-venv" >&2
        exit 2
    fi
    "$environment/bin/pip" install --quiet --disable-pip-version-check --editable "$1"
    echo "$wanted" >"$mark"
}
