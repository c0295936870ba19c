package transport_test

import (
	"testing"

	"beltwright.example/services/platform/transport"
)

func TestNumbersAsPeopleWriteThem(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]string{
		"": "", "  ": "", "UN3268": transport.UN3268, "un 3268": transport.UN3268, " UN 0503 ": transport.UN0503,
	} {
		if got, ok := transport.ReadUN(text); !ok || got != want {
			t.Errorf("%q: %q, %t", text, got, ok)
		}
	}
	for _, text := range []string{"3268", "UN3269", "UN-3268", "UN3268, UN0503", "none", "ＵＮ3268"} {
		if got, ok := transport.ReadUN(text); ok || got != "" {
			t.Errorf("%q is taken for %q", text, got)
		}
	}
}
