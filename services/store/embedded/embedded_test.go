package embedded_test

import (
	"testing"
	"time"

	"go.uber.org/goleak"

	"beltwright.example/services/store"
	"beltwright.example/services/store/embedded"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func TestSmoke(t *testing.T) {
	t.Parallel()
	s, err := embedded.Open(t.TempDir(), embedded.Options{Now: time.Now})
	if err != nil {
		t.Fatal(err)
	}
	key := store.Key{Tenant: "a", Kind: "b", ID: "c"}
	out, err := s.Apply(t.Context(), store.Change{Puts: []store.Put{{Key: key, Value: []byte("x")}}})
	if err != nil || out[0].Err != nil {
		t.Fatal(err, out)
	}
	r, err := s.Get(t.Context(), key)
	if err != nil || string(r.Value) != "x" || r.Version != 1 {
		t.Fatal(r, err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
}
