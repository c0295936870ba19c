package requestid_test

import (
	"regexp"
	"strings"
	"testing"

	"google.golang.org/grpc/metadata"
	"pgregory.net/rapid"

	"beltwright.example/services/platform/requestid"
)

func TestNewIsValidAndNew(t *testing.T) {
	t.Parallel()
	seen := map[string]bool{}
	for range 1000 {
		id := requestid.New()
		if !requestid.Valid(id) || len(id) != 24 || seen[id] {
			t.Fatalf("%q", id)
		}
		seen[id] = true
	}
}

func TestChooseTakesOneWellFormedId(t *testing.T) {
	t.Parallel()
	longest := strings.Repeat("a", requestid.Longest)
	for name, c := range map[string]struct {
		sent  []string
		taken bool
	}{
		"one":        {[]string{"Ab-9_z"}, true},
		"longest":    {[]string{longest}, true},
		"none":       {nil, false},
		"empty":      {[]string{""}, false},
		"two":        {[]string{"a", "a"}, false},
		"too long":   {[]string{longest + "a"}, false},
		"space":      {[]string{"a b"}, false},
		"line break": {[]string{"a\nlevel=ERROR"}, false},
		"quote":      {[]string{`a"`}, false},
		"not ASCII":  {[]string{"é"}, false},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			id := requestid.Choose(c.sent)
			if !requestid.Valid(id) || c.taken != (len(c.sent) == 1 && id == c.sent[0]) {
				t.Errorf("%q of %q", id, c.sent)
			}
		})
	}
}

// TestValidIsAPattern against the regular expression that says the same.
func TestValidIsAPattern(t *testing.T) {
	t.Parallel()
	pattern := regexp.MustCompile(`^[A-Za-z0-9_-]{1,64}$`)
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.OneOf(rapid.String(), rapid.StringMatching(`[A-Za-z0-9_-]{0,70}`)).Draw(t, "text")
		if requestid.Valid(text) != (pattern.MatchString(text) && !strings.HasSuffix(text, "\n")) {
			t.Fatalf("%q: %v", text, requestid.Valid(text))
		}
	})
}

func TestIncomingTellsTheCallerTheId(t *testing.T) {
	t.Parallel()
	ctx, header := requestid.Incoming(metadata.NewIncomingContext(t.Context(), metadata.Pairs("x-request-id", "abc")))
	if got := requestid.FromContext(ctx); got != "abc" || len(header["x-request-id"]) != 1 || header["x-request-id"][0] != "abc" {
		t.Errorf("%q, header %v", got, header)
	}
	ctx, header = requestid.Incoming(t.Context())
	if got := requestid.FromContext(ctx); !requestid.Valid(got) || header["x-request-id"][0] != got {
		t.Errorf("%q, header %v", got, header)
	}
	if got := requestid.FromContext(t.Context()); got != "" {
		t.Errorf("%q without a request", got)
	}
}
