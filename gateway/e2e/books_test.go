package e2e_test

import (
	"encoding/csv"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// booksOnTheCommandLine books on the first build's quotes as a bookkeeper would,
// and compares the ledger's file with what REST gives.
func booksOnTheCommandLine(t *testing.T, c client, p *process) {
	t.Helper()
	const quoted, part = "quotes/Q-2026-000005", "offers/farrowtull-works.FT-4821-0R"
	address := p.awaits(`gRPC\s+(127\.0\.0\.1:\d+)`)[1]
	run := func(code int, args ...string) string {
		t.Helper()
		command := start(t, "beltwright", append(args, "--server", address, "--key", c.key)...)
		if got := command.exits(); got != code {
			t.Errorf("%v: exit %d: %s", args, got, command.printed())
		}
		return command.printed()
	}
	shows := func(text, pattern string) {
		t.Helper()
		if !regexp.MustCompile(pattern).MatchString(text) {
			t.Errorf("%s is missing in:\n%s", pattern, text)
		}
	}
	// A refund of what was never paid is refused, with what to do.
	shows(run(1, "books", "record", "refunded", quoted, "--source", part, "--amount", "1.00"), `would come to 1\.00 USD, of paid 0\.00 USD; expected .*book what is missing`)
	shows(run(0, "books", "record", "paid", quoted, "--source", part, "--amount", "360.56"), `entries/Q-2026-000005\.0001: paid, 360\.56 USD`)
	run(0, "books", "record", "received", quoted, "--amount", "541.89")
	shows(run(0, "books", "credit-note", "give", quoted, "--amount", "20.00", "--note", "=goodwill"), `credit note C-\d{4}-000001, 20\.00 USD`)
	shows(run(0, "books", "credit-note", "give", quoted, "--amount", "21.00", "--note", "twice"), `credit note C-\d{4}-000002`)
	run(0, "books", "reverse", "entries/Q-2026-000005.0004", "--note", "was given already")
	shows(run(0, "books", "entries", "--quote", quoted), `(?s)paid.*received.*credit note.*reversal`)
	// 541.89 − 20.00 − 360.56 = 161.33, where 181.33 of labour were expected.
	sums := run(0, "books", "sum", "--state", "accepted", "--why")
	shows(sums, `quotes/Q-2026-000005 .* 161\.33 USD +181\.33 USD +50\.00 USD`)
	shows(sums, `margin = 541\.89 − 20\.00 − 360\.56 \+ \(0\.00 \+ 0\.00\) = 161\.33`)
	shows(run(0, "books", "cores"), `not stated +50\.00 USD +offers/farrowtull-works\.FT-4821-0R`)

	path := filepath.Join(t.TempDir(), "ledger.csv")
	run(0, "books", "ledger", "--out", path)
	file, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	response, err := c.raw(http.MethodGet, "/v1/books:exportLedger", "", nil)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = response.Body.Close() }()
	if raw, err := io.ReadAll(response.Body); err != nil || string(raw) != string(file) {
		t.Errorf("REST and the command line give other ledgers: %v\n%s\n%s", err, raw, file)
	}
	ledgerBalances(t, string(file))
}

// ledgerBalances adds the ledger up: what is debited is credited, and nothing is a
// formula.
func ledgerBalances(t *testing.T, file string) {
	t.Helper()
	rows, err := csv.NewReader(strings.NewReader(file)).ReadAll()
	if err != nil || len(rows) != 11 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	column := func(name string) int {
		for i, cell := range rows[0] {
			if cell == name {
				return i
			}
		}
		t.Fatalf("no column %s in %v", name, rows[0])
		return -1
	}
	sums := map[string]int{}
	for _, row := range rows[1:] {
		for _, side := range []string{"debit", "credit"} {
			if cell := strings.ReplaceAll(row[column(side)], ".", ""); cell != "" {
				cents, err := strconv.Atoi(cell)
				if err != nil {
					t.Fatal(err)
				}
				sums[side] += cents
			}
		}
		if note := row[column("note")]; strings.HasPrefix(note, "=") {
			t.Errorf("a spreadsheet would run %s", note)
		}
	}
	if want := 360_56 + 541_89 + 20_00 + 21_00 + 21_00; sums["debit"] != want || sums["credit"] != want {
		t.Errorf("debits %d, credits %d, want %d", sums["debit"], sums["credit"], want)
	}
}
