package credential_test

import (
	"bytes"
	"errors"
	"fmt"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"beltwright.example/services/fitment/credential"
	"beltwright.example/services/store/embedded"
)

func TestTextsAreReadAsTheyAreWritten(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		prefix := rapid.SampledFrom([]string{"bw", "bs"}).Draw(t, "prefix")
		tenant := rapid.StringMatching(`[a-z0-9-]{1,32}`).Draw(t, "tenant")
		c, err := credential.Mint(prefix, tenant, nil)
		if err != nil {
			t.Fatal(err)
		}
		if got, err := credential.Parse(prefix, c.Text()); err != nil || got != c {
			t.Errorf("%v, %v", got, err)
		}
		other := map[string]string{"bw": "bs", "bs": "bw"}[prefix]
		if _, err := credential.Parse(other, c.Text()); !errors.Is(err, credential.ErrFormat) {
			t.Errorf("a credential of another kind: %v", err)
		}
		secret := c.Text()[strings.LastIndex(c.Text(), c.ID)+13:]
		for _, verb := range []string{"%v", "%+v", "%#v", "%s"} {
			if printed := fmt.Sprintf(verb, c); strings.Contains(printed, secret) || !strings.Contains(printed, c.ID) {
				t.Errorf("%s prints %s", verb, printed)
			}
		}
	})
}

// A digest is of one credential in one store under one name.
func TestDigestsProveOneThing(t *testing.T) {
	t.Parallel()
	pepper := func() credential.Pepper {
		records, err := embedded.Open(t.TempDir(), embedded.Options{NoSync: true})
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = records.Close() })
		first, err := credential.OpenPepper(t.Context(), records, "sessions", nil)
		if err != nil {
			t.Fatal(err)
		}
		again, err := credential.OpenPepper(t.Context(), records, "sessions", nil)
		if err != nil || !bytes.Equal(first, again) {
			t.Fatalf("the pepper is drawn anew: %v", err)
		}
		other, err := credential.OpenPepper(t.Context(), records, "keys", nil)
		if err != nil || bytes.Equal(first, other) {
			t.Fatalf("two kinds have one pepper: %v", err)
		}
		return first
	}
	here, there := pepper(), pepper()
	c, err := credential.Mint("bs", "kettlewick", nil)
	if err != nil {
		t.Fatal(err)
	}
	digest := here.Digest(c)
	changed := map[string]func(c *credential.Credential){
		"another business": func(c *credential.Credential) { c.Tenant = "saltmarrow" },
		"another id":       func(c *credential.Credential) { c.ID = "aaaaaaaaaaaa" },
		"moved border":     func(c *credential.Credential) { c.Tenant, c.ID = c.Tenant+"\x00"+c.ID, "" },
	}
	for bit := range 256 {
		changed[fmt.Sprint("bit ", bit)] = func(c *credential.Credential) { c.Secret[bit/8] ^= 1 << (bit % 8) }
	}
	for name, change := range changed {
		wrong := c
		change(&wrong)
		if here.Proves(wrong, digest) {
			t.Errorf("%s proves it", name)
		}
	}
	if !here.Proves(c, digest) || there.Proves(c, digest) || here.Proves(c, nil) || here.Proves(c, digest[:31]) {
		t.Error("a digest proves too much or too little")
	}
}

// FuzzParse: a text is read if, and only if, it is what Text writes.
func FuzzParse(f *testing.F) {
	for _, seed := range []string{
		"", "bs", "bs_kettlewick_abcdefghij23_" + strings.Repeat("A", 43), "bw_kettlewick_abcdefghij23_" + strings.Repeat("A", 43),
		"bs_kettlewick_abcdefghij23_" + strings.Repeat("_", 43), "bs_kettlewick_abcdefghij23_" + strings.Repeat("A", 42) + "B", "bs__abcdefghij23_" + strings.Repeat("A", 43),
		"bs_kettlewick_abcdefghij23_" + strings.Repeat("A", 42) + "\n", "bs_a_b_c_d",
	} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		c, err := credential.Parse("bs", text)
		if err == nil && c.Text() != text {
			t.Errorf("%q is read and written as %q", text, c.Text())
		}
		if err != nil && !errors.Is(err, credential.ErrFormat) {
			t.Error(err)
		}
	})
}
