#!/usr/bin/env bash
# Everything that is checked before a change lands, in one command:
#
#   bash deploy/check.sh
#
# It installs nothing and needs no root. Tests get their database from a private
# Postgres that they start themselves, or from FADELEDGER_TEST_DATABASE_URL.
#
# staticcheck rather than a bundle of linters: it builds in half a minute where
# the bundles take six, its checks seldom err, and go vet and gofmt are here
# already. It lives in a module of its own, so that its dependencies are none of
# the product's.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."

started=$SECONDS

# step HEADING COMMAND... runs the command under a heading and says how long it
# took. The first that fails ends the run.
step() {
	local heading=$1 from=$SECONDS
	shift
	printf '\n== %s\n' "$heading"
	if ! "$@"; then
		printf '== %s: failed after %d s\n' "$heading" "$((SECONDS - from))"
		exit 1
	fi
	printf '== %s: ok, %d s\n' "$heading" "$((SECONDS - from))"
}

has() { command -v "$1" >/dev/null 2>&1; }

# Where private Postgres looks, for the message here; the launcher decides.
has_postgres() {
	[[ -n ${FADELEDGER_TEST_DATABASE_URL:-} || -n ${FADELEDGER_PG_BIN:-} ]] && return
	has initdb && return
	local initdb
	for initdb in /usr/lib/postgresql/*/bin/initdb /usr/pgsql-*/bin/initdb /usr/libexec/postgresql*/initdb \
		/opt/homebrew/opt/postgresql@*/bin/initdb /usr/local/opt/postgresql@*/bin/initdb; do
		[[ -x $initdb ]] && return
	done
	return 1
}

has_node() {
	has node && has npm && (($(node -p 'process.versions.node.split(".")[0]') >= 20))
}

prerequisites() {
	local missing=()
	has go || missing+=("Go 1.26 or later")
	has_postgres || missing+=("Postgres 15 or later (apt-get install postgresql)")
	if [[ -d web/browser ]]; then
		has_node || missing+=("Node.js 20 or later with npm (Debian 13 has it: apt-get install nodejs npm)")
		has chromium || missing+=("Chromium (apt-get install chromium)")
		has pdftoppm || missing+=("pdftoppm (apt-get install poppler-utils)")
	fi
	((${#missing[@]} == 0)) && return
	local list
	printf -v list ', %s' "${missing[@]}"
	printf 'Install what is missing and run again: %s.\n' "${list:2}" >&2
	return 1
}

formatted() {
	local files
	files=$(find . -name node_modules -prune -o -name '*.go' -print0 | xargs -0 gofmt -l)
	[[ -z $files ]] && return
	printf 'run gofmt -w on:\n%s\n' "$files"
	return 1
}

browser() {
	(cd web/browser && npm ci --no-audit --no-fund && npm test)
}

step 'what the checks need' prerequisites
step 'gofmt' formatted
step 'go build' go build ./...
step 'go vet' go vet ./...
step 'staticcheck' go tool -modfile=deploy/tools/staticcheck/go.mod staticcheck ./...
step 'go test' go test -count=1 -timeout 15m ./...
step 'browser tests' browser
printf '\n== all checks passed, %d s\n' "$((SECONDS - started))"
