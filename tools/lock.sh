#!/bin/sh
# Writes requirements/*.txt anew from pyproject.toml: sh tools/lock.sh UV [options of uv, such as --upgrade]
# One version of each package for all systems and Pythons, or one for each range of Pythons, with the hashes of all
# its files. Versions that still fit stay as they are unless --upgrade is given.
set -eu
cd "$(dirname "$0")/.."
uv="$1"
shift
export UV_CUSTOM_COMPILE_COMMAND="make lock"

lock() {
    name="$1"
    shift
    "$uv" pip compile --quiet --universal --python-version 3.11 --generate-hashes \
        --no-emit-index-url --no-emit-find-links --output-file "requirements/$name.txt" "$@"
}

lock dev pyproject.toml requirements/build.in --extra dev "$@"
# The smaller ones are parts of it: whoever goes from one to the other keeps what is there.
lock build requirements/build.in --constraint requirements/dev.txt "$@"
lock demo pyproject.toml --extra print --constraint requirements/dev.txt "$@"
lock container pyproject.toml --extra cluster --extra print --extra remote --constraint requirements/dev.txt "$@"
lock tools requirements/tools.in "$@"
