package embedded

import (
	"bytes"
	"slices"
	"strings"
	"testing"

	"beltwright.example/services/store"
)

// FuzzKeyCodec demands that keys come back as they went in and keep their order,
// and that what is refused is out of bounds.
func FuzzKeyCodec(f *testing.F) {
	f.Add("north-yard", "listing", "A1", "north-yard", "listing", "A10")
	f.Add("a", "b\x00c", "d", "a", "b", "c\x00d")
	f.Add("", "", "", "é", "\xff", "\x01")
	f.Fuzz(func(t *testing.T, t1, k1, i1, t2, k2, i2 string) {
		one, two := store.Key{Tenant: t1, Kind: k1, ID: i1}, store.Key{Tenant: t2, Kind: k2, ID: i2}
		rawOne, err := encodeKey(one)
		if (err == nil) != inBounds(one) {
			t.Fatalf("%q: %v", one, err)
		}
		if err != nil {
			return
		}
		if back, err := decodeKey(rawOne); err != nil || back != one {
			t.Fatalf("%q came back as %q, %v", one, back, err)
		}
		rawTwo, err := encodeKey(two)
		if err != nil {
			return
		}
		want := slices.Compare([]string{t1, k1, i1}, []string{t2, k2, i2})
		if got := bytes.Compare(rawOne, rawTwo); got != want {
			t.Fatalf("%q and %q compare as %d, want %d", one, two, got, want)
		}
		record := encodeRecord(rawOne, rawTwo)
		if back, err := decodeRecord(encodeVersion(7), record); err != nil || back.Key != one || back.Form != store.Form || !bytes.Equal(back.Value, rawTwo) {
			t.Fatalf("record came back as %+v, %v", back, err)
		}
	})
}

func inBounds(key store.Key) bool {
	for _, part := range []string{key.Tenant, key.Kind, key.ID} {
		if part == "" || len(part) > store.MaxKeyPart || strings.Contains(part, "\x00") {
			return false
		}
	}
	return true
}

// FuzzDecode demands that damaged entries are refused without a panic, and that
// those which pass encode to the same bytes.
func FuzzDecode(f *testing.F) {
	key, err := encodeKey(store.Key{Tenant: "a", Kind: "b", ID: "c"})
	if err != nil {
		f.Fatal(err)
	}
	f.Add(encodeRecord(key, []byte("value")))
	f.Add(encodeRemembered(remembered{versions: []int64{1, 2}, answer: []byte("x")}))
	f.Add(append([]byte{1, 5}, "a\x00b\x00cvalue"...))
	f.Add([]byte{2, 2, 0})
	f.Add([]byte{3, 1, 0})
	f.Add([]byte{1, 255, 255, 255, 255, 255, 255, 255, 255, 255, 1})
	f.Fuzz(func(t *testing.T, raw []byte) {
		if key, value, form, err := splitRecord(raw); err == nil {
			if again := encodeRecord(key, value); form == store.Form && len(again) == len(raw) && !bytes.Equal(again, raw) {
				t.Fatalf("%x became %x", raw, again)
			}
			_, _ = decodeKey(key) // only must not panic
		}
		if r, err := decodeRemembered(raw); err == nil {
			if again := encodeRemembered(r); len(again) == len(raw) && raw[0] < 0x80 && !bytes.Equal(again, raw) {
				t.Fatalf("%x became %x", raw, again)
			}
		}
	})
}
