# Copyright 2026 The Airassay Authors
# SPDX-License-Identifier: Apache-2.0

# Sourced by the scripts beside it: how they name their steps and where the pinned tools are.

# One order of sorting everywhere.
export LC_ALL=C

say() { printf '%s\n' "$*"; }
die() { printf '%s\n' "$*" >&2; exit 1; }

# timed NAME COMMAND... runs the command in a subshell, prints the time it took and leaves its status in $status. The subshell is a
# plain command: after "if" or before "||", bash would switch off -e inside it.
timed() {
  local name=$1 begun=$SECONDS how=""
  shift
  say "=== $name"
  set +e
  (
    set -e
    "$@"
  )
  status=$?
  set -e
  if ((status)); then how=", FAILED"; fi
  say "--- $name: $((SECONDS - begun)) s$how (total $SECONDS s)"
}

# step is timed, and ends the script where the command failed.
step() {
  timed "$@"
  if ((status)); then exit "$status"; fi
}

# attempt is timed, and notes a failure in $failures, so that one run shows all that is wrong.
failures=()
attempt() {
  timed "$@"
  if ((status)); then failures+=("$1"); fi
}

buf() { go tool -modfile=.ci/buf.mod buf "$@"; }
grpcurl() { go tool -modfile=.ci/grpcurl.mod grpcurl "$@"; }
golangci_lint() { go tool -modfile=.ci/lint.mod golangci-lint "$@"; }

# files PATTERN... lists the files that git tracks or would track and that exist. Git's ignored files are never ours.
files() {
  git ls-files --cached --others --exclude-standard -z -- "$@" | while IFS= read -r -d '' f; do
    if [[ -f $f ]]; then printf '%s\n' "$f"; fi
  done
}
