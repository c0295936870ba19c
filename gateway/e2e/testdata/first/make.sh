#!/bin/bash
# run in a directory that holds ./beltwright, built from the commit
set -euo pipefail
rm -rf data
./beltwright serve --demo --data data --http 127.0.0.1:0 --grpc 127.0.0.1:18481 > serve.log 2>&1 &
server=$!
until grep -q "Try, in another terminal" serve.log; do sleep 0.2; done
bw() { ./beltwright --server 127.0.0.1:18481 --key-file data/demo.key "$@"; }
need="--make Tarvena --model Solane --year 2006 --drive-side left --body saloon --market US --kind buckle-pretensioner --row 1 --side right"
quote() { bw quote $need --day-cost 30.00 --tax 7.25 --hourly-rate 128.00 --fit-minutes 70 --check-minutes 15 "$@" > /dev/null; }
quote --reference "job 1041"
bw quote accept quotes/Q-2026-000001 > /dev/null
bw outcome record listings/osprey-hollow.SOLANE-3 --kind buckle-pretensioner --condition used \
  --result passed --quote quotes/Q-2026-000001 --note "label, keying and clip as listed"
quote --reference "job 1042" --valid-hours 720
quote --reference "job 1043" --valid-hours 1
quote --reference "job 1044"
bw quote decline quotes/Q-2026-000004 > /dev/null
bw listing hold listings/saltmarrow.SOLANE-2 --minutes 2880 > /dev/null
bw listing hold listings/saltmarrow.SA-0055 --minutes 2880 > /dev/null
quote --reference "job 1045"
bw quote accept quotes/Q-2026-000005 > /dev/null
quote --reference "job 1046" --valid-hours 720
bw quote list
kill $server
wait $server || true
