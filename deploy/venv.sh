# Sourced by deploy/demo and tests/run: make .venv in the present folder and install into it.
make_venv() {
    what=$1
    if ! python3 -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
        echo "Weirwatch needs Python 3.11 or newer as python3: install it (Debian: apt-get install python3)." >&2
        exit 2
    fi
    if [ ! -x .venv/bin/python ]; then
        if ! python3 -c 'import venv, ensurepip' 2>/dev/null; then
            echo "This Python cannot make a virtual environment: install its venv package (Debian: apt-get install python3-venv)." >&2
            exit 2
        fi
        echo "Making .venv (once)"
        python3 -m venv .venv
    fi
    # Install again only when what is to be installed has changed.
    wanted="$what $(cat pyproject.toml deploy/constraints.txt | cksum)"
    if [ "$(cat .venv/installed 2>/dev/null || true)" != "$wanted" ]; then
        echo "Installing Weirwatch and what it needs into .venv (once)"
        .venv/bin/python -m pip install -q --disable-pip-version-check -c deploy/constraints.txt -e "$what"
        echo "$wanted" > .venv/installed
    fi
}
