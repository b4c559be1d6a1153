# Sourced by cli/treescan and cli/tests: makes .venv once and says what it does on stderr.
# Needs Python 3.11 or newer with venv, nothing else.  POSIX sh.

say() { printf '%s\n' "$*" >&2; }

find_python() {
    for name in python3 python3.13 python3.12 python3.11 python; do
        if command -v "$name" >/dev/null 2>&1 &&
            "$name" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
            printf '%s\n' "$name"
            return 0
        fi
    done
    say "treescan: no Python 3.11 or newer found. Install one (Debian: apt-get install python3 python3-venv)."
    return 2
}

# install "PIP ARGUMENTS": into .venv, from the project's folder
install() {
    # shellcheck disable=SC2086
    (cd "$root" && .venv/bin/python -m pip install --quiet --disable-pip-version-check $1) >&2
}

# set_up STAMP "PIP ARGUMENTS": install once per change of pyproject.toml
set_up() {
    stamp="$root/.venv/.treescan-$1"
    want=$(cat "$root/pyproject.toml" "$root/cli/locked.txt" | cksum)
    if [ -f "$stamp" ] && [ "$(cat "$stamp")" = "$want" ]; then
        return 0
    fi
    python=$(find_python) || return 2
    if ! [ -x "$root/.venv/bin/python" ]; then
        say "treescan: making $root/.venv (once, some minutes and about 1.5 GB) ..."
        "$python" -m venv "$root/.venv" || {
            say "treescan: python's venv module is missing. Debian: apt-get install python3-venv"
            rm -rf "$root/.venv"
            return 2
        }
    fi
    say "treescan: installing what it needs ..."
    "$root/.venv/bin/python" -m pip install --quiet --disable-pip-version-check --upgrade 'pip>=25.1' >&2 || return 1
    install "--constraint cli/locked.txt $2" || {
        say "treescan: the tested versions cannot be had here; installing others within the stated ranges ..."
        install "$2" || return 1
    }
    system_libraries || return 1
    printf '%s\n' "$want" >"$stamp"
}

# open3d needs a few system libraries that PyPI does not carry
system_libraries() {
    check='from treescan.geometry.open3d_gate import open3d; open3d()'
    if "$root/.venv/bin/python" -c "$check" >/dev/null 2>&1; then
        return 0
    fi
    packages="libgl1 libegl1 libx11-6 libgomp1"
    as=""
    if [ "$(id -u)" -ne 0 ]; then
        as="sudo -n"
        command -v sudo >/dev/null 2>&1 && sudo -n true 2>/dev/null || as="none"
    fi
    if command -v apt-get >/dev/null 2>&1 && [ "$as" != none ]; then
        say "treescan: installing system libraries for open3d: $packages"
        $as apt-get update -q >/dev/null 2>&1 || true
        # shellcheck disable=SC2086
        DEBIAN_FRONTEND=noninteractive $as apt-get install -y -q --no-install-recommends $packages >/dev/null 2>&1 || true
    fi
    if "$root/.venv/bin/python" -c "$check" >/dev/null 2>&1; then
        return 0
    fi
    say "treescan: open3d still lacks system libraries. Run as administrator:"
    say "    apt-get install -y $packages"
    "$root/.venv/bin/python" -c "$check" >&2 || return 1
}
