# Shared by `demo` and `test`: where things are, and how the virtual environment is made. Sourced, not run.
set -euo pipefail
ROOT=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)
cd "$ROOT"
export DATUMLINE_LOCAL="${DATUMLINE_LOCAL:-$ROOT/.local}"
VENV="$ROOT/.local/venv"
PY="$VENV/bin/python"
export PIP_DISABLE_PIP_VERSION_CHECK=1
# what is imported is compiled once and kept, whatever the caller's environment says: a process that compiles all anew takes ten seconds to start
unset PYTHONDONTWRITEBYTECODE
export PYTHONPYCACHEPREFIX="$ROOT/.local/pycache"

say() { printf '\n== %s\n' "$*"; }
die() { printf 'FAILED: %s\n' "$*" >&2; exit 1; }

as_root() { # run as root, or say what is needed
  if [ "$(id -u)" = 0 ]; then "$@"; elif command -v sudo >/dev/null && sudo -n true 2>/dev/null; then sudo -n "$@"; else return 1; fi
}

apt_install() {
  command -v apt-get >/dev/null || return 1
  as_root env DEBIAN_FRONTEND=noninteractive apt-get update -qq >/dev/null 2>&1 || true
  as_root env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends "$@" >/dev/null 2>&1
}

find_python() {
  local p
  for p in python3 python3.13 python3.12 python3.11; do
    if command -v "$p" >/dev/null && "$p" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then command -v "$p"; return; fi
  done
  die "Python 3.11 or newer is needed"
}

# make_venv LOCKFILE: a virtual environment in the checkout holding just what the lock names, checked by hash.
make_venv() {
  local lock=$1 python stamp
  python=$(find_python)
  stamp=$(cat "$lock" <("$python" -V) | sha256sum | cut -c1-16)
  mkdir -p "$ROOT/.local"
  if [ ! -x "$PY" ] || ! "$PY" -m pip --version >/dev/null 2>&1; then
    rm -rf "$VENV"
    "$python" -m venv "$VENV" >/dev/null 2>&1 || {
      rm -rf "$VENV"
      apt_install python3-venv || die "this Python cannot make virtual environments; install python3-venv"
      "$python" -m venv "$VENV"
    }
  fi
  [ -f "$VENV/installed-$stamp" ] && return
  say "Installing what $(basename "$lock") names"
  # compiled when first imported: most of what is installed never is, and compiling it all takes a minute
  "$PY" -m pip install --quiet --no-compile --require-hashes -r "$lock" || die "the packages could not be installed"
  touch "$VENV/installed-$stamp"
}
