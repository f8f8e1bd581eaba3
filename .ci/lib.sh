# Copyright 2026 The Airassay Authors
# SPDX-License-Identifier: Apache-2.0

# Sourced by the scripts beside it: how they name their steps and where the pinned tools are.

# One order of sorting everywhere.
export LC_ALL=C

say() { printf '%s\n' "$*"; }
die() { printf '%s\n' "$*" >&2; exit 1; }

# step NAME COMMAND... runs the command and prints the time it took; a step that fails ends the script.
step() {
  local name=$1 begun=$SECONDS
  shift
  say "=== $name"
  # Not in an "if": that would switch off set -e inside a function.
  "$@"
  say "--- $name: $((SECONDS - begun)) s (total $SECONDS s)"
}

buf() { go tool -modfile=.ci/buf.mod buf "$@"; }
golangci_lint() { go tool -modfile=.ci/lint.mod golangci-lint "$@"; }

# files PATTERN... lists the files that git tracks or would track and that exist. Git's ignored files are never ours.
files() {
  git ls-files --cached --others --exclude-standard -z -- "$@" | while IFS= read -r -d '' f; do
    if [[ -f $f ]]; then printf '%s\n' "$f"; fi
  done
}
