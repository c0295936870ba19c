#!/usr/bin/env bash
# Installs what the tests need and runs every check. One argument names a single
# step to run: tools, format, proto, lint, unit, sound, abuse, deploy, vuln, fuzz.
#
# Longer forms (more crash rounds, more random cases): BELTWRIGHT_LONG=1.
# Length of each fuzz target's run: BELTWRIGHT_FUZZTIME (default 2s).
set -euo pipefail
cd "$(dirname "$0")/.."

tool() { # tool NAME COMMAND ARGS… runs a tool pinned in deploy/tools/NAME.mod
  local modfile="deploy/tools/$1.mod"
  shift
  go tool -modfile="$modfile" "$@"
}

step_tools() {
  # mkfs.ext4, mount and losetup make the file system that the power-cut test
  # cuts off; glpsol and cbc solve baskets for comparison; pdftotext, pdftoppm and
  # zbarimg read the documents that are printed; python3 reads sheets.
  local missing=() skip=()
  command -v mkfs.ext4 >/dev/null || [ -x /sbin/mkfs.ext4 ] || { missing+=(e2fsprogs); skip+=(powercut); }
  command -v losetup >/dev/null || [ -x /sbin/losetup ] || { missing+=(mount util-linux); skip+=(powercut); }
  command -v cbc >/dev/null || { missing+=(coinor-cbc); skip+=(solvers); }
  command -v glpsol >/dev/null || { missing+=(glpk-utils); skip+=(solvers); }
  command -v pdftotext >/dev/null || { missing+=(poppler-utils); skip+=(documents); }
  command -v zbarimg >/dev/null || { missing+=(zbar-tools); skip+=(documents); }
  command -v python3 >/dev/null || { missing+=(python3); skip+=(sheets); }
  command -v systemd-analyze >/dev/null || { missing+=(systemd); skip+=(systemd); }
  if [ "${#missing[@]}" -eq 0 ]; then return; fi
  if command -v apt-get >/dev/null && [ "$(id -u)" -eq 0 ]; then
    apt-get update -qq
    DEBIAN_FRONTEND=noninteractive apt-get install -y -qq "${missing[@]}" >/dev/null
  else
    echo "missing, and not installed here (needs apt-get and root): ${missing[*]}; the tests that use them say so and are skipped"
    BELTWRIGHT_MAY_SKIP=$(IFS=,; echo "${skip[*]}")
    export BELTWRIGHT_MAY_SKIP # everything else must run where CI is set
  fi
}

step_format() {
  local unformatted
  unformatted=$(git ls-files '*.go' | grep -vE '\.pb(\.gw)?\.go$' | xargs go tool -modfile=deploy/tools/fumpt.mod gofumpt -l)
  if [ -n "$unformatted" ]; then
    echo "not formatted by gofumpt:" "$unformatted"
    return 1
  fi
}

step_proto() {
  tool buf buf lint
  tool buf buf format --diff --exit-code
  # The image is the contract as last released; it is replaced by hand, with a
  # reason in the commit, never by this script.
  tool buf buf breaking --against proto/released.binpb
  local fresh
  fresh=$(mktemp -d)
  tool buf buf generate -o "$fresh"
  local stale=0 file made committed
  made=$(cd "$fresh" && find . -type f | sed 's|^\./||')
  committed=$(git ls-files '*.pb.go' '*.pb.gw.go' gateway/rest/openapi.swagger.json)
  [ -n "$made" ] && [ -n "$committed" ] || { echo "nothing to compare: no generated files"; stale=1; }
  for file in $made $committed; do
    cmp -s "$fresh/$file" "$file" || { echo "$file is not what buf generate makes"; stale=1; }
  done
  rm -rf "$fresh"
  return "$stale"
}

step_lint() {
  go vet ./...
  # The tool that writes the VIN data is a module of its own: it needs SQLite,
  # which the program does not.
  go vet -C services/fitment/vindata/generate ./...
  tool lint golangci-lint run ./...
  # What checks the deployments is a module of its own too: it needs parsers that the
  # program does not.
  go vet -C deploy/check ./...
  (cd deploy/check && go tool -modfile=../tools/lint.mod golangci-lint run ./...)
}

step_unit() {
  # -count=1: the end-to-end tests build the programs themselves, which the
  # test cache does not see. -v names what was skipped; the filter keeps that,
  # failures and the closing line of each package.
  local log status=0
  go test -C services/fitment/vindata/generate ./...
  log=$(mktemp)
  # Attacks come in a step of their own: they would starve the others' tests. Who gets
  # at what is not his comes whole in step_sound; the detector makes it four times slower.
  go list ./... | grep -vE '/gateway/(abuse|tenants)$' | xargs go test -race -count=1 -timeout 20m -v >"$log" 2>&1 || status=$?
  if [ "$status" -eq 0 ]; then
    grep -E '^(ok|FAIL)|^ *--- SKIP' -A1 "$log" | grep -vE '^(--|=== |--- PASS|PASS|\?)' || true
    echo "tests passed: $(grep -cE '^ *--- PASS' "$log"), skipped: $(grep -cE '^ *--- SKIP' "$log" || true)"
  else
    grep -vE '^(=== |PASS| *--- PASS)' "$log"
  fi
  rm -f "$log"
  return "$status"
}

step_sound() {
  # What the race detector, under which step_unit runs a smaller number, makes up to
  # ten times slower. The rules against their slow reference at full size.
  go test -count=1 -timeout 10m -run '^(TestSoundness|TestEveryRuleMatters)$' -v ./services/fitment/rules |
    grep -E '^(ok|FAIL|--- )|questions|rules' || return 1
  # Buying plans against all policies: 100,000 cases of up to six offers, 200 of
  # twelve.
  BELTWRIGHT_LONG=1 go test -count=1 -timeout 10m -run '^(TestNoOtherPolicyIsCheaper|TestSearchAgrees.*OnTwelve.*)$' -v ./services/quote/plan |
    grep -E '^(ok|FAIL|--- )' || return 1
  # Who gets at what is not his.
  go test -count=1 -timeout 10m -v ./gateway/tenants | grep -E '^(ok|FAIL|--- )|^ .*_test.go' || return 1
}

step_abuse() {
  # Without the race detector, under which the attackers are too slow to show anything.
  go test -count=1 -timeout 10m -v ./gateway/abuse | grep -E '^(ok|FAIL|panic)|^ *--- |_test.go:' || return 1
}

step_deploy() {
  # Image, containers and units as they are written, with mistakes planted for each
  # check; the same programs from two folders; the licences of what is linked.
  go test -C deploy/check -count=1 -timeout 10m ./...
}

step_vuln() {
  # The database is a module that is pinned, so that the scan asks nobody. Its index
  # takes 20 seconds to make, and is kept. Findings in modules fail the step; those in
  # Go itself are listed.
  local vulndb db answer
  go mod download -modfile=deploy/tools/vuln.mod golang.org/x/vulndb
  vulndb=$(go list -modfile=deploy/tools/vuln.mod -m -f '{{.Dir}}' golang.org/x/vulndb)
  db="${XDG_CACHE_HOME:-$HOME/.cache}/beltwright/$(basename "$vulndb")"
  if [ ! -d "$db" ]; then
    mkdir -p "$(dirname "$db")"
    tool vuln indexdb -out "$db.$$" -vulns "$vulndb/data/osv"
    mv "$db.$$" "$db"
  fi
  answer=$(mktemp)
  tool vuln govulncheck -db "file://$db" -format json ./... >"$answer"
  go run -C deploy/check ./vulnerabilities <"$answer"
  # The control: an old module that is known to be vulnerable must fail it.
  tool vuln govulncheck -C deploy/check/testdata/vulnerable -db "file://$db" -format json ./... >"$answer"
  if go run -C deploy/check ./vulnerabilities <"$answer" >"$answer.said" 2>/dev/null || ! grep -q '^GO-2021-0113 in golang.org/x/text v0.3.5, called' "$answer.said"; then
    echo "the control was not found: a module that is known to be vulnerable"
    return 1
  fi
  echo "the control was found: $(head -1 "$answer.said")"
  rm -f "$answer" "$answer.said"
}

# Runs one fuzz target. On a busy machine Go's own coordinator can report the end
# of -fuzztime as a failure that says nothing but "context deadline exceeded"
# (Go issue 75804); a real finding always names an input. So that report alone,
# and only it, is tried again, twice at most.
fuzz_target() { # fuzz_target DIR NAME
  local attempt output
  for attempt in 1 2 3; do
    if output=$(go test -run '^$' -parallel 1 -fuzz "^$2\$" -fuzztime "${BELTWRIGHT_FUZZTIME:-2s}" "./$1" 2>&1); then
      echo "fuzz $2: $(grep -E '^ok' <<<"$output")"
      return 0
    fi
    only_deadline "$output" || break
    echo "the fuzzing engine overran its own deadline (attempt $attempt)"
  done
  echo "$output"
  return 1
}

# Tells whether the output complains of the deadline and of nothing else.
only_deadline() { # only_deadline OUTPUT
  local complaints
  complaints=$(grep -vE '^fuzz: elapsed|^(--- )?FAIL|^exit status' <<<"$1" | sed 's/^ *//' | sort -u)
  [ "$complaints" = "context deadline exceeded" ]
}

# Two targets at once, a worker each: most of a target's time is building it.
step_fuzz() {
  local targets
  targets=$(git ls-files '*_test.go' | xargs grep -oE '^func Fuzz[A-Za-z0-9_]+' |
    sed -E 's|/[^/:]*:func | |')
  [ -n "$targets" ] || { echo "no fuzz target found"; return 1; }
  export -f fuzz_target only_deadline
  xargs -P 2 -n 2 bash -c 'fuzz_target "$@"' fuzz <<<"$targets"
  echo "fuzz targets run: $(wc -l <<<"$targets")"
}

steps=(tools format proto lint unit sound abuse deploy vuln fuzz)
if [ $# -gt 0 ]; then steps=("$@"); fi
for step in "${steps[@]}"; do
  started=$SECONDS
  echo "== $step"
  # Run as a plain command: inside a condition, set -e would not hold.
  "step_$step"
  echo "== $step: passed in $((SECONDS - started)) s"
done
