#!/bin/sh
# Makes sure that PostgreSQL server binaries (15 or newer) can be found, which the private server and the tests start
# themselves. With STRANDLINE_DSN set nothing is needed. As root on a Debian-like machine it installs them; elsewhere it
# says how to get them.
set -eu
[ -n "${STRANDLINE_DSN:-}" ] && exit 0

usable() {
    [ -x "$1/initdb" ] && [ -x "$1/postgres" ] || return 1
    major=$("$1/postgres" --version | sed 's/[^0-9]*\([0-9]*\).*/\1/')
    [ "$major" -ge 15 ]
}
found() {
    [ -n "${STRANDLINE_PG_BIN:-}" ] && usable "$STRANDLINE_PG_BIN" && return 0
    for dir in /usr/lib/postgresql/*/bin /usr/pgsql-*/bin /opt/homebrew/opt/postgresql*/bin /usr/local/opt/postgresql*/bin; do
        usable "$dir" && return 0
    done
    path=$(command -v postgres || true)
    [ -n "$path" ] && usable "$(dirname "$(readlink -f "$path")")"
}
found && exit 0

if command -v apt-get >/dev/null && [ "$(id -u)" = 0 ]; then
    echo "PostgreSQL server binaries are missing; installing the package postgresql" >&2
    apt-get update -qq && DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends postgresql >&2
    found && exit 0
fi
cat >&2 <<'T'
Strandline needs PostgreSQL server binaries, version 15 or newer, to start a private database. Any one of these will do:
  Debian, Ubuntu:  sudo apt-get install postgresql
  Fedora:          sudo dnf install postgresql-server
  macOS:           brew install postgresql@16
  elsewhere:       point STRANDLINE_PG_BIN at the folder that holds initdb and postgres
Or point STRANDLINE_DSN at a PostgreSQL that runs already, as a user that may create roles and databases.
T
exit 1
