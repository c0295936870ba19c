#!/usr/bin/env bash
# Builds the programs that are shipped into a folder: static, and the same bytes
# wherever the sources lie and whoever builds them, given the same Go release
# (go.mod names it). Usage: deploy/build.sh FOLDER [PACKAGE…], by default all three.
#
# -trimpath leaves the folder of the sources out, -buildvcs=false the state of the
# working copy, CGO_ENABLED=0 the machine's C library. The environment's own flags
# are not taken over.
set -euo pipefail
[ $# -ge 1 ] || { echo "usage: deploy/build.sh FOLDER [PACKAGE…]" >&2; exit 2; }
mkdir -p "$1"
out=$(cd "$1" && pwd)
shift
programs=("$@")
[ $# -gt 0 ] || programs=(gateway/cmd/beltwright services/fitment/cmd/fitment services/quote/cmd/quote)
cd "$(dirname "$0")/.."

export CGO_ENABLED=0 GOFLAGS= GOEXPERIMENT= GOAMD64=v1 GOARM64=v8.0 GOWORK=off
read -ra more <<<"${BELTWRIGHT_BUILD_FLAGS--trimpath}" # another value is for the control of the test
for program in "${programs[@]}"; do
  go build "${more[@]}" -mod=readonly -buildvcs=false -ldflags='-s -w -buildid=' -o "$out/$(basename "$program")" "./$program"
done
