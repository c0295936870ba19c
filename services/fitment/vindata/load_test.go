package vindata

import (
	"bytes"
	"compress/gzip"
	"errors"
	"io"
	"strings"
	"testing"
)

// Load reads the embedded file anew, for measurements.
func Load(tb testing.TB) any {
	tb.Helper()
	t, err := load(packed)
	if err != nil {
		tb.Fatal(err)
	}
	return t
}

func pack(tb testing.TB, raw []byte) []byte {
	tb.Helper()
	var out bytes.Buffer
	z := gzip.NewWriter(&out)
	if _, err := z.Write(raw); err != nil {
		tb.Fatal(err)
	}
	if err := z.Close(); err != nil {
		tb.Fatal(err)
	}
	return out.Bytes()
}

// small is a whole data file, by hand: two models in one schema.
const small = Magic + "\x01S\x01D" + // source, date
	"\x04\x01M\x01N\x01O\x01B" + // texts
	"\x03\x02AB\x03A*C\x01[" + // keys
	"\x02\x00\x01\x00\x02" + // models M N, M O
	"\x01\x02\x00\x01\x00\x00\x01\x02\x00\x01\x01\x03" + // schema: AB → N; A*C → O, body B
	"\x01\x03WWW\x01\x01\x00\x01\x00\xbe\x0f\x00" // WWW, car, make M, schema 0 from 1982

func TestSmallFileByHand(t *testing.T) {
	t.Parallel()
	table, err := load(pack(t, []byte(small)))
	if err != nil {
		t.Fatal(err)
	}
	for number, want := range map[string]Record{
		"WWWABX11111111111": {Type: PassengerCar, Make: "M", Model: "N", Matched: true},
		"WWWAXC11111111111": {Type: PassengerCar, Make: "M", Model: "O", Body: "B", Matched: true},
		"WWWXXX11111111111": {Type: PassengerCar, Make: "M"},
	} {
		got, known := table.lookup(number, 1982)
		if !known || got.Make != want.Make || got.Model != want.Model || got.Body != want.Body || got.Matched != want.Matched || got.Type != want.Type {
			t.Errorf("%s: %+v, want %+v", number, got, want)
		}
	}
	// Both keys fix two positions: no answer, and both named.
	got, _ := table.lookup("WWWABC11111111111", 1999)
	if got.Matched || got.Model != "" || len(got.Candidates) != 2 || got.Make != "M" || got.Candidates[0].Model != "N" {
		t.Errorf("two equal keys: %+v", got)
	}
	if got, _ := table.lookup("WWWABX11111111111", 1981); got.Matched {
		t.Errorf("a year before the schema's: %+v", got)
	}
}

func TestDamagedFilesAreRefused(t *testing.T) {
	t.Parallel()
	for n := range len(small) {
		if _, err := load(pack(t, []byte(small[:n]))); !errors.Is(err, errDamaged) {
			t.Errorf("cut after %d bytes: %v", n, err)
		}
	}
	if _, err := load(pack(t, []byte(small+"x"))); !errors.Is(err, errDamaged) {
		t.Errorf("a byte too many: %v", err)
	}
	if _, err := load(packed[:len(packed)/2]); !errors.Is(err, io.ErrUnexpectedEOF) {
		t.Errorf("half of the packed file: %v", err)
	}
	if _, err := load([]byte(small)); !errors.Is(err, gzip.ErrHeader) {
		t.Errorf("not packed: %v", err)
	}
}

func TestFits(t *testing.T) {
	t.Parallel()
	const number = "WWWABCDE1F2345678"
	for key, want := range map[string]score{
		"":                0,
		"A":               exactly,
		"*BC":             2 * exactly,
		"[A-C]":           oneOf,
		"[XA]B":           exactly + oneOf,
		"ABCDE|F2345678":  13 * exactly,
		"*****|*2":        exactly,
		"*****|*[1-3]":    oneOf,
		"ABCDE*F":         6 * exactly,
		"B":               -1,
		"[B-Z]":           -1,
		"[]":              -1,
		"[A":              -1,
		"ABCDE1":          -1,
		"ABCDE|F2345678*": -1,
		"*****|*3":        -1,
	} {
		got, ok := fits(key, number)
		bits := described(number)
		if m := allowed(key); ok && !m.allow(&bits) {
			t.Errorf("%q fits, and its mask rules it out", key)
		}
		if (want < 0) == ok || (ok && got != want) {
			t.Errorf("%q: %d %t, want %d", key, got, ok, want)
		}
	}
}

// The mask of a key never rules out what the key allows, and rules out all that
// differs in positions 4 to 8.
func TestMasksAgreeWithKeys(t *testing.T) {
	t.Parallel()
	table := loaded()
	for i, key := range table.keys {
		number := []byte("WWWABCDE1F2345678")
		for c := byte('0'); c <= 'Z'; c++ {
			number[wmiEnd+i%5] = c
			bits := described(string(number))
			_, ok := fits(key, string(number))
			if ok && !table.masks[i].allow(&bits) {
				t.Fatalf("%q fits %s, and its mask rules it out", key, number)
			}
			vds, _, _ := strings.Cut(key, "|")
			if _, ok := fits(vds, string(number)); !ok && table.masks[i].allow(&bits) && cells(vds) <= 5 {
				t.Fatalf("%q does not fit %s, and its mask allows it", key, number)
			}
		}
	}
}

// cells counts the positions that a key speaks about.
func cells(key string) int {
	n := 0
	for i := 0; i < len(key); i++ {
		if key[i] == '[' {
			i += max(strings.IndexByte(key[i:], ']'), 0)
		}
		n++
	}
	return n
}

func FuzzLoad(f *testing.F) {
	f.Add(small)
	f.Add(strings.Repeat(Magic, 2))
	f.Fuzz(func(t *testing.T, raw string) {
		table, err := load(pack(t, []byte(raw)))
		if err != nil {
			return
		}
		for code := range table.wmis {
			if len(code) == wmiEnd {
				table.lookup(code+"ABCDE1F2345678", 1999)
			}
		}
	})
}
