package amount_test

import (
	"testing"

	"github.com/govalues/money"
	"golang.org/x/text/currency"

	"beltwright.example/services/platform/amount"
)

// Decimal places and codes are those of ISO 4217, list one as published on
// 2026-01-01.
func TestMinorUnitsByISO4217(t *testing.T) {
	t.Parallel()
	for code, want := range map[string]int{
		"USD": 2, "EUR": 2, "MXN": 2, "CAD": 2, "MGA": 2, "HUF": 2, // MGA: five iraimbilanja, yet two places on the list
		"JPY": 0, "KRW": 0, "ISK": 0, "XAF": 0, "CLP": 0, "UGX": 0,
		"BHD": 3, "KWD": 3, "OMR": 3, "TND": 3, "IQD": 3, "JOD": 3, "LYD": 3,
		"CLF": 4, "UYW": 4,
	} {
		if got := amount.Digits(code); got != want || !amount.Known(code) {
			t.Errorf("%s: %d places, known %t; want %d", code, got, amount.Known(code), want)
		}
	}
	for _, code := range []string{
		"", "usd", "US", "USDX", "ZZZ", "€", // no codes
		"DEM", "HRK", "BGN", "ANG", "SLL", "ZWL", "VEF", "BYR", "CUC", // withdrawn
		"XAU", "XAG", "XDR", "XTS", "XXX", "XUA", "XBA", // without a minor unit
	} {
		if amount.Known(code) {
			t.Errorf("%q counts as an active currency", code)
		}
	}
}

// Every currency that the Unicode repository's data, kept by other people, lists
// as legal tender somewhere must be known, but for those withdrawn since that
// data was made.
func TestUnicodeTendersAreKnown(t *testing.T) {
	t.Parallel()
	withdrawn := map[string]bool{ // by list three, or by the euro's coming
		"ANG": true, "BGN": true, "CUC": true, "HRK": true, "MRO": true, "SLL": true, "VEF": true,
	}
	tenders := 0
	for q := currency.Query(); q.Next(); tenders++ {
		if code := q.Unit().String(); !amount.Known(code) && !withdrawn[code] {
			t.Errorf("%s is legal tender in %s, yet unknown", code, q.Region())
		}
	}
	if tenders < 200 {
		t.Errorf("the data lists %d tenders only", tenders)
	}
}

// The table of ISO 4217 in the library govalues/money v0.2.4, made from the
// standard's own publication by other people, has the same decimal places for
// every code that both know. What only one of them knows is listed, with why.
func TestMinorUnitsAgreeWithAPublishedTable(t *testing.T) {
	t.Parallel()
	ours := map[string]bool{ // not in the library
		"XAD": true, "XCG": true, "ZWG": true, "SLE": true, "VED": true, "SVC": true,
		"BOV": true, "CHE": true, "CHW": true, "CLF": true, "COU": true, "MXV": true, "USN": true, "UYI": true, "UYW": true, // funds
	}
	both := 0
	for code := range codes {
		theirs, err := money.ParseCurr(code)
		switch {
		case ours[code] != (err != nil && amount.Known(code)):
			t.Errorf("%s: known here %t, in the library %t", code, amount.Known(code), err == nil)
		case err != nil || !amount.Known(code):
		case code == "ISK" && theirs.Scale() == 2:
			// the library still has the aurar that Iceland gave up; the Unicode data has not
			if places, _ := currency.Standard.Rounding(currency.MustParseISO(code)); places != amount.Digits(code) {
				t.Errorf("%s: %d places, the Unicode data says %d", code, amount.Digits(code), places)
			}
		case amount.Digits(code) != theirs.Scale():
			t.Errorf("%s: %d places, the library says %d", code, amount.Digits(code), theirs.Scale())
		default:
			both++
		}
	}
	if both < 148 {
		t.Errorf("only %d codes are the same in both", both)
	}
}

// codes yields every code of three capital letters.
func codes(yield func(string) bool) {
	const letters = 26
	for n := range letters * letters * letters {
		code := string([]byte{byte('A' + n/letters/letters), byte('A' + n/letters%letters), byte('A' + n%letters)})
		if !yield(code) {
			return
		}
	}
}

func FuzzParse(f *testing.F) {
	for _, text := range []string{"45.00", "0.01", "10000000000.00", "-1", "1e9", "", "45.005", "00.10"} {
		f.Add(text, "USD")
		f.Add(text, "JPY")
	}
	f.Fuzz(func(t *testing.T, text, code string) {
		value, err := amount.Parse(text, code)
		if err != nil {
			return
		}
		if value < 0 || value > amount.Max {
			t.Fatalf("%q reads as %d", text, value)
		}
		if again, err := amount.Parse(amount.Format(value, code), code); err != nil || again != value {
			t.Fatalf("%q reads as %d, written and read again as %d, %v", text, value, again, err)
		}
	})
}
