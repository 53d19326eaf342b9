# Read by try.sh, tests/all.sh and others with `.`, after they have set `root` to the checkout.
# Gives `set_up [EXTRA]`, which makes $root/.venv with fencemap in it and sets `python` to its
# Python. POSIX sh; nothing outside $root is touched, but for Debian packages installed as root.

say() {
    printf '%s\n' "$*" >&2
}

is_root_on_debian() {
    [ "$(id -u)" -eq 0 ] && command -v apt-get >/dev/null 2>&1
}

# Install Debian packages; only ever called as root.
install_packages() {
    say "Installing from Debian: $*"
    [ -n "${package_lists_fresh:-}" ] || apt-get -o Acquire::Retries=3 -qq update >/dev/null
    package_lists_fresh=yes
    DEBIAN_FRONTEND=noninteractive apt-get -o Acquire::Retries=3 -o Dpkg::Use-Pty=0 \
        -qq install -y --no-install-recommends "$@" >/dev/null
}

# Print the first Python of 3.11 or later; nothing if there is none.
find_python() {
    for candidate in python3 python3.14 python3.13 python3.12 python3.11; do
        if "$candidate" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
            command -v "$candidate"
            return
        fi
    done
}

can_make_environments() {
    "$1" -c 'import ensurepip, venv' 2>/dev/null
}

# The system's own Python, able to make environments; exits with one sentence if there is none.
system_python() {
    base=$(find_python)
    if { [ -z "$base" ] || ! can_make_environments "$base"; } && is_root_on_debian; then
        install_packages python3 python3-venv
        base=$(find_python)
    fi
    if [ -z "$base" ]; then
        say "fencemap needs Python 3.11 or later (Debian's package python3), which is not on this machine."
        exit 1
    fi
    if ! can_make_environments "$base"; then
        say "fencemap needs the Debian package python3-venv; ask an administrator to run: apt-get install python3-venv"
        exit 1
    fi
}

environment_works() {
    [ -x "$python" ] && "$python" -c 'import pip, sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null
}

# What an installation depends on: it is done again only when one of these changes.
installation_key() {
    { cat "$root/pyproject.toml" && printf '%s\n' "$root" && "$python" -VV; } | cksum
}

is_installed() {
    for mark in "$root/.venv/.fencemap$1" "$root/.venv/.fencemap-test"; do
        [ -f "$mark" ] && [ "$(cat "$mark")" = "$(installation_key)" ] && return
    done
    return 1
}

set_up() {
    extra=${1:-}
    python=$root/.venv/bin/python
    unset PYTHONHOME PYTHONPATH PIP_USER PIP_TARGET PIP_PREFIX
    if ! environment_works; then
        system_python
        say "Making $root/.venv"
        rm -rf -- "$root/.venv"
        "$base" -m venv "$root/.venv"
    fi
    if ! is_installed "${extra:+-$extra}"; then
        say "Installing fencemap into $root/.venv; the first time this takes a minute or two."
        (cd "$root" && "$python" -m pip install --quiet --no-input --disable-pip-version-check \
            --prefer-binary --editable ".${extra:+[$extra]}")
        installation_key >"$root/.venv/.fencemap${extra:+-$extra}"
    fi
}
