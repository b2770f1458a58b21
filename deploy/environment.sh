# Sourced by deploy/rehearse, deploy/studiobridge and tests/run, from the top of the checkout:
# make_environment WHAT puts a virtual environment with WHAT ('.[panel,rehearsal]' or '.[test]')
# into .venv, and leaves it alone when nothing changed. One that was stopped half way, or moved,
# is made anew; of two at once the second waits.
environment=$PWD/.venv

make_environment() {
    local python=${PYTHON:-python3} mark wanted said
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
    # a virtual environment knows where it is: one of a moved checkout is another
    made="$environment $("$python" -V 2>&1) $(cksum pyproject.toml)"
    wanted="$1 $made"
    if is_made; then
        return
    fi
    if command -v flock >/dev/null; then
        exec 9>.venv.lock
        if ! flock -n 9; then
            echo "Somebody else is making the virtual environment: waiting for it ..." >&2
            flock 9
        fi
        if is_made; then
            exec 9>&-
            return
        fi
    fi
    echo "Making a virtual environment in .venv (once; a minute or so) ..." >&2
    rm -f "$mark"
    trap 'echo >&2; echo "Stopped half way: the next time begins anew." >&2; exit 130' INT TERM
    if ! said=$("$python" -m venv --clear "$environment" 2>&1 9>&-); then
        tail -n 5 <<<"$said" >&2
        echo "python3 can make no venv here. On Debian: apt-get install python3-venv" >&2
        exit 2
    fi
    if ! PYTHONUNBUFFERED=1 "$environment/bin/pip" install --disable-pip-version-check \
        --editable "$1" 9>&- | show_progress; then
        echo "That did not work, for the reason above. Try again: it begins anew." >&2
        exit 1
    fi
    echo "$wanted" >"$mark"
    trap - INT TERM
    if command -v flock >/dev/null; then
        exec 9>&-
    fi
}

# what the tests need holds all that a rehearsal does, and one with a camera all that one without
is_made() {
    local there
    [ -f "$mark" ] || return 1
    there=$(cat "$mark")
    [ "$there" = "$wanted" ] || [ "$there" = ".[test] $made" ] ||
        { [ "$wanted" = ".[panel,rehearsal] $made" ] && [ "$there" = ".[panel,rehearsal,witness] $made" ]; }
}

# What pip does, in one line that changes; where nobody watches, a line every few seconds.
show_progress() {
    local began=$SECONDS said=-9 what='asking the package index' word more status
    while true; do
        status=0
        read -r -t 2 word more || status=$?
        case "$word $more" in
            Collecting* | Downloading*) what="$word ${more%% *}" ;;
            "Installing collected "*) what='installing what was fetched' ;;
        esac
        if [ $status -gt 0 ] && [ $status -le 128 ]; then
            break # the end of it
        fi
        if [ -t 2 ]; then
            printf '\r\033[K  %d s: %.60s' $((SECONDS - began)) "$what" >&2
        elif [ $((SECONDS - said)) -ge 3 ]; then
            said=$SECONDS
            echo "  $((SECONDS - began)) s: $what" >&2
        fi
    done
    if [ -t 2 ]; then
        printf '\r\033[K' >&2
    fi
    echo "  installed in $((SECONDS - began)) s" >&2
}
