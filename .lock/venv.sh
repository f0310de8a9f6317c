# Sourced by demo/run.sh, tests/run.sh and .lock/remake.sh, which set `root`: virtual environments that hold what a lock
# says. POSIX sh only. The first run needs a network or a pip cache; later ones call no pip until a lock or
# pyproject.toml changes.

say() {
    printf '%s\n' "$*" >&2
}

fits() {
    "$1" -c 'import sys; sys.exit(sys.version_info < (3, 11))' >/dev/null 2>&1
}

# Prints a Python that is new enough and able to make virtual environments.
find_python() {
    if [ -n "${PYTHON:-}" ]; then
        set -- "$PYTHON"
    else
        set -- python3 python3.14 python3.13 python3.12 python3.11 python
    fi
    lacking=
    for candidate; do
        fits "$candidate" || continue
        if "$candidate" -c 'import ensurepip, venv' >/dev/null 2>&1; then
            printf '%s\n' "$candidate"
            return 0
        fi
        lacking=${lacking:-$candidate}
    done
    if [ -n "$lacking" ]; then
        say "$lacking cannot make virtual environments: its module ensurepip (or venv) is missing."
        say "On Debian and Ubuntu: apt-get install python3-venv"
    elif [ -n "${PYTHON:-}" ]; then
        say "PYTHON is $PYTHON, which is no working Python 3.11 or newer."
    else
        say "Kitwright needs Python 3.11 or newer, and none was found: looked for python3, python3.14 to python3.11, python."
        say "If it is elsewhere, say where: PYTHON=/path/to/python3 sh ..."
    fi
    return 1
}

# ready_venv NAME LOCK...: leaves .venv/NAME with the locks' packages and Kitwright itself, editable, and sets `python`.
# A lock named *.alone.txt holds packages without all that they ask for: they are installed as they are.
ready_venv() {
    name=$1
    venv=$root/.venv/$name
    python=$venv/bin/python
    stamp=$venv/.installed
    shift

    # A virtual environment knows its own path, so one that was moved is made again: hence the root in the stamp.
    want="$(cd "$root/.lock" && cat -- "$@" ../pyproject.toml | cksum) $root"
    have=
    if [ -f "$stamp" ]; then
        have=$(cat "$stamp")
    fi
    if [ "$have" = "$want" ] && fits "$python"; then
        return 0
    fi

    if [ -n "$have" ] && [ "${have#* * }" != "$root" ]; then
        rm -rf "$venv"
    elif ! fits "$python" || ! "$python" -m pip --version >/dev/null 2>&1; then
        rm -rf "$venv"
    fi
    rm -f "$stamp"
    if ! [ -d "$venv" ]; then
        base=$(find_python) || return 1
        say "making .venv/$name"
        "$base" -m venv "$venv" || {
            rm -rf "$venv"
            say "making the virtual environment failed; Python's own words are above"
            return 1
        }
    fi
    say "installing into .venv/$name; the first time this can take a minute or two"
    for lock; do
        case $lock in
        *.alone.txt)
            "$python" -m pip install -qq --disable-pip-version-check --only-binary :all: --require-hashes \
                --no-deps -r "$root/.lock/$lock" || return 1
            ;;
        # Turns the arguments A B into -r A -r B.
        *) set -- "$@" -r "$root/.lock/$lock" ;;
        esac
        shift
    done
    # Wheels only: building from source would fetch build tools that no hash covers. -qq leaves pip its errors.
    "$python" -m pip install -qq --disable-pip-version-check --only-binary :all: --require-hashes "$@" &&
        "$python" -m pip install -qq --disable-pip-version-check \
            --no-index --no-deps --no-build-isolation --editable "$root" || {
        say "installing into .venv/$name failed; pip's own words are above"
        return 1
    }
    printf '%s\n' "$want" >"$stamp"
}
