#!/bin/sh
# Fetch the libraries of the second server (Node 18 or later, npm; about 100 MB, once).
set -eu
cd "$(dirname "$0")"
built=node_modules/.package-lock.json
if [ -f "$built" ] && [ -z "$(find package.json package-lock.json -newer "$built")" ]; then
    echo "second server: up to date"
    exit 0
fi
npm ci --silent --no-audit --no-fund
touch "$built"
echo "second server: built"
