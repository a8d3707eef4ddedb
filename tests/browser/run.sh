#!/bin/sh
# The HTML report in a browser: makes the pages, fetches what is needed, checks them.
# Usage: tests/browser/run.sh [--shots FOLDER] [PAGE.html …]
set -eu
here=$(cd "$(dirname "$0")" && pwd)
top=$(cd "$here/../.." && pwd)

if [ -z "${CHROMIUM:-}" ]; then
    if ! command -v chromium >/dev/null; then
        apt-get update -q
        DEBIAN_FRONTEND=noninteractive apt-get install -y -q --no-install-recommends chromium fonts-liberation
    fi
    CHROMIUM=$(command -v chromium)
fi
export CHROMIUM
if ! command -v npm >/dev/null; then
    apt-get update -q
    DEBIAN_FRONTEND=noninteractive apt-get install -y -q --no-install-recommends nodejs npm
fi

# npm notes in node_modules/.package-lock.json what it has put there.
if [ ! -e "$here/node_modules/.package-lock.json" ] || [ "$here/package-lock.json" -nt "$here/node_modules/.package-lock.json" ]; then
    (cd "$here" && npm ci --silent)
fi

pages="${TMPDIR:-/tmp}/tonering-pages.$$"
trap 'rm -rf "$pages"' EXIT
(cd "$top" && TONERING_PAGES="$pages" cargo test -q --test it -- --ignored --exact report::pages_for_the_browser >/dev/null)
node "$here/check.mjs" "$@" "$pages"/*.html
