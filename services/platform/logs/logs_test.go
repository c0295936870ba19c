package logs_test

import (
	"bytes"
	"context"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/netip"
	"strings"
	"testing"
	"time"

	"go.opentelemetry.io/otel/trace"
	"pgregory.net/rapid"

	"beltwright.example/services/platform/logs"
	"beltwright.example/services/platform/requestid"
)

// The VIN is the worked example of 49 CFR 565 as it is widely printed, with the right
// check digit (from memory); the others are it copied wrongly.
const (
	vin      = "1M8GDM9AXKP042788"
	badDigit = "1M8GDM9A1KP042788"
	badWord  = "1M8GDM9AOKP042788" // a letter O, which no VIN has
)

// secretPart stands for 256 bits in base64url.
var secretPart = base64.RawURLEncoding.EncodeToString([]byte("0123456789abcdefghijklmnopqrstuv"))

func TestText(t *testing.T) {
	t.Parallel()
	key := "bw_shop-a_abcdefghij23_" + secretPart
	for text, want := range map[string]string{
		"":                                 "",
		"nothing to hide":                  "nothing to hide",
		vin:                                "[VIN]",
		badDigit:                           "[VIN]",
		badWord:                            "[VIN]",
		strings.ToLower(vin):               "[VIN]",
		"vin=" + vin + ", next":            "vin=[VIN], next",
		"donor of a-" + vin + "_x":         "donor of a-[VIN]_x",
		"/v1/vins/" + vin + ":decode":      "/v1/vins/[VIN]:decode",
		"q=a%20" + vin + "%0A":             "q=a%20[VIN]%0A",
		`"text":"a\n` + vin + `"`:          `"text":"a\n[VIN]"`,
		`\u000a` + vin:                     `\u000a[VIN]`,
		"x1M8GDM9AXKP042788":               "[VIN]", // grown onto something
		vin + vin:                          "[VIN]",
		"1M8GDM9AXKP04278":                 "1M8GDM9AXKP04278", // 16: the last characters of many things
		"41198765432109876":                "[VIN]",            // 17 digits may be one, too
		"4bf92f3577b34da6a3ce929d0e0e4736": "4bf92f3577b34da6a3ce929d0e0e4736",
		"ABCDEFGHJKLMNPRST":                "ABCDEFGHJKLMNPRST", // no VIN is without digits
		"/beltwright.fitment.v1.FitmentService/RecomputeDecision": "/beltwright.fitment.v1.FitmentService/RecomputeDecision",
		"0198a6e2-4c5d-7a30-9d6f-1b2c3d4e5f60":                    "0198a6e2-4c5d-7a30-9d6f-1b2c3d4e5f60",
		key:                                                       "bw_shop-a_[secret]",
		"key " + key[:40] + " cut":                                "key bw_shop-a_[secret] cut",
		"bs_kettlewick_abcdefghij23_" + secretPart:                "bs_kettlewick_[secret]",
		"Authorization: Bearer " + key:                            "Authorization: [secret]",
		"map[Bearer abc:Bearer def]":                              "map[Bearer [secret]",
		"jtMOAQOSKgBtASQAzwAHbAUCcyMOAAEJcTQBhxXEB_A":             "[secret]", // without a digit
		"bearer anything":                                         "bearer [secret]",
		"secret alone: " + secretPart:                             "secret alone: [secret]",
		`{"password":"hunter2","a":1}`:                            `{"password":[secret],"a":1}`,
		"login=a&password=hunter2&b=c":                            "login=a&password=[secret]&b=c",
		"{Login:a Password:hunter2 Days:3}":                       "{Login:a Password:[secret] Days:3}",
		"passphrase = 'a b c' end":                                "passphrase = [secret] end",
		"id_token: eyJhbGciOiJub25lIn0.eyJzdWIiOiIxIn0.":          "id_token: [secret]",
		"eyJhbGciOiJub25lIn0.eyJzdWIiOiIxIn0. tail":               "[secret] tail",
		"$argon2id$v=19$m=19456,t=2,p=1$c2FsdA$aGFzaA":            "[secret]",
		"__Host-session_token=abc; Path=/":                        "__Host-session_token=[secret]; Path=/",
	} {
		got := logs.Text(text)
		if got != want {
			t.Errorf("%q becomes %q, want %q", text, got, want)
		}
		if again := logs.Text(got); strings.Contains(again, "hunter2") || strings.Contains(again, vin) {
			t.Errorf("%q the second time %q", text, again)
		}
	}
}

// TestWhatIsKept: what log lines are read for stays readable.
func TestWhatIsKept(t *testing.T) {
	t.Parallel()
	for _, text := range []string{
		"listings/kettlewick.SB-1001", "127.0.0.1:9091", "rpc error: code = Unavailable desc = down",
		"/var/lib/beltwright/fitment", "2026-11-25T21:03:25Z", "RESOURCE_EXHAUSTED",
		"TestNobodyMakesTheMetricsGrowWhateverComesFromOutside", "a-long-name-of-a-folder-that-somebody-has-chosen",
		"abcdefghij23", "revision r1.9f86d081884c7d659a2feaa0c55ad015.42",
		"9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08",
	} {
		if got := logs.Text(text); got != text {
			t.Errorf("%q becomes %q", text, got)
		}
	}
}

// canary is something that must never be seen in a line, and how it is hidden in one.
type canary struct{ text, secret string }

func drawCanary(t *rapid.T) canary {
	vinLetters := "ABCDEFGHJKLMNPRSTUVWXYZ0123456789"
	letters := rapid.SliceOfN(rapid.SampledFrom([]byte(vinLetters)), 13, 13).Draw(t, "letters")
	digits := rapid.StringMatching(`[0-9]{4}`).Draw(t, "digits")
	random := base64.RawURLEncoding.EncodeToString(rapid.SliceOfN(rapid.Byte(), 32, 32).Draw(t, "bytes"))
	switch rapid.IntRange(0, 4).Draw(t, "kind") {
	case 0:
		text := string(letters) + digits
		return canary{text, text}
	case 1:
		text := strings.ToLower(string(letters)) + digits
		return canary{text, text}
	case 2:
		return canary{"bw_shop-a_abcdefghij23_" + random, random}
	case 3:
		return canary{"bs_shop-a_abcdefghij23_" + random, random}
	}
	return canary{"Bearer " + random, random}
}

// stringer, marshaler, valuer and holder are kinds of values that reach a log.
type (
	stringer struct{ text string }
	valuer   struct{ text string }
	holder   struct {
		Name  string
		Inner struct{ Text string }
		Notes []string
		Known map[string]string
	}
)

func (s stringer) String() string { return s.text }
func (v valuer) LogValue() slog.Value {
	return slog.GroupValue(slog.String("a", v.text), slog.Any("b", stringer(v)))
}

// drawValue hides a text in a value, nested at random.
func drawValue(t *rapid.T, text string, depth int) slog.Value {
	kinds := 11
	if depth == 0 {
		kinds = 9
	}
	switch rapid.IntRange(0, kinds).Draw(t, "value") {
	case 0:
		return slog.StringValue("before " + text + ", after")
	case 1:
		return slog.AnyValue(fmt.Errorf("do it: %w", errors.New("for "+text)))
	case 2:
		return slog.AnyValue([]byte(text))
	case 3:
		return slog.AnyValue(stringer{text})
	case 4:
		return slog.AnyValue(valuer{text})
	case 5:
		return slog.AnyValue([]string{"a", text})
	case 6:
		h := holder{Name: "n", Notes: []string{text}}
		h.Inner.Text = text
		return slog.AnyValue(h)
	case 7:
		return slog.AnyValue(map[string]any{"deep": map[string]string{text: text}})
	case 8:
		return slog.AnyValue(&holder{Known: map[string]string{"k": text}})
	case 9:
		return slog.AnyValue([]any{1, text, stringer{text}})
	case 10:
		return slog.GroupValue(slog.Any("inner", drawValue(t, text, depth-1)))
	}
	return slog.AnyValue([]slog.Attr{slog.Any("x", drawValue(t, text, depth-1))})
}

// emit writes a line with a canary somewhere in it.
func emit(t *rapid.T, log *slog.Logger, c canary) {
	for range rapid.IntRange(0, 3).Draw(t, "groups") {
		switch rapid.IntRange(0, 2).Draw(t, "what") {
		case 0:
			log = log.WithGroup("g")
		case 1:
			log = log.With("w", drawValue(t, c.text, 2))
		case 2:
			log = log.With(slog.Group("h", slog.Any("v", drawValue(t, c.text, 2))))
		}
	}
	switch rapid.IntRange(0, 2).Draw(t, "place") {
	case 0:
		log.Warn("message about " + c.text)
	case 1:
		log.Warn("message", "value", drawValue(t, c.text, 3))
	case 2:
		log.Warn("message", slog.Any("key "+c.text, drawValue(t, c.text, 3)))
	}
}

// TestNoSecretGetsThrough, whatever it is, in whatever it is hidden, in both forms of
// log. The control writes the same lines without the handler, most of which show it.
func TestNoSecretGetsThrough(t *testing.T) {
	t.Parallel()
	shown, drawn := 0, 0
	rapid.Check(t, func(t *rapid.T) {
		c := drawCanary(t)
		handlers := map[string]func(io.Writer) slog.Handler{
			"text": func(w io.Writer) slog.Handler { return slog.NewTextHandler(w, nil) },
			"json": func(w io.Writer) slog.Handler { return slog.NewJSONHandler(w, nil) },
		}
		kind := rapid.SampledFrom([]string{"text", "json"}).Draw(t, "handler")
		var masked, control bytes.Buffer
		emit(t, slog.New(logs.New(handlers[kind](&masked))), c)
		if strings.Contains(masked.String(), c.secret) {
			t.Fatalf("%q is in %s", c.secret, masked.String())
		}
		if masked.Len() == 0 {
			t.Fatal("no line was written")
		}
		slog.New(handlers[kind](&control)).Warn("message about " + c.text)
		drawn++
		if strings.Contains(control.String(), c.secret) {
			shown++
		}
	})
	if shown != drawn {
		t.Errorf("without the handler %d of %d lines show it; want all, or the test finds nothing", shown, drawn)
	}
}

// TestKeysThatNameSecrets hide their values, groups too, whatever these look like.
func TestKeysThatNameSecrets(t *testing.T) {
	t.Parallel()
	var out bytes.Buffer
	log := slog.New(logs.New(slog.NewTextHandler(&out, nil)))
	log.Warn("a", "password", "plain1", "key", "plain2", slog.Group("credentials", "x", "plain3"), "Set-Cookie", []string{"plain4"})
	log.WithGroup("token").With("y", "plain5").Warn("b", "z", 4711)
	log.Warn("c", "key_id", "shown1", "file", "shown2")
	for _, hidden := range []string{"plain1", "plain2", "plain3", "plain4", "plain5", "4711"} {
		if strings.Contains(out.String(), hidden) {
			t.Errorf("%s is shown: %s", hidden, out.String())
		}
	}
	for _, kept := range []string{"key_id=shown1", "file=shown2"} {
		if !strings.Contains(out.String(), kept) {
			t.Errorf("%s is missing: %s", kept, out.String())
		}
	}
}

func TestValuesOfOtherKindsStay(t *testing.T) {
	t.Parallel()
	var out bytes.Buffer
	log := slog.New(logs.New(slog.NewTextHandler(&out, nil)))
	at := time.Date(2026, 11, 25, 20, 0, 0, 0, time.UTC)
	log.Warn("a", "b", true, "i", -3, "u", uint64(7), "f", 1.5, "d", 3*time.Millisecond, "t", at, "n", nil,
		"ip", netip.MustParseAddr("127.0.0.1"), "raw", []byte{0xff, 0xfe}, "tp", &at)
	for _, want := range []string{"b=true", "i=-3", "u=7", "f=1.5", "d=3ms", "t=2026-11-25T20:00:00.000Z", "n=<nil>", "ip=127.0.0.1", `raw="[2 bytes]"`} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("%s is missing: %s", want, out.String())
		}
	}
}

// TestLinesNameTheirRequest and its trace.
func TestLinesNameTheirRequest(t *testing.T) {
	t.Parallel()
	var out bytes.Buffer
	log := slog.New(logs.New(slog.NewTextHandler(&out, &slog.HandlerOptions{Level: slog.LevelInfo})))
	span := trace.NewSpanContext(trace.SpanContextConfig{TraceID: trace.TraceID{1, 2}, SpanID: trace.SpanID{3}})
	ctx := trace.ContextWithSpanContext(requestid.NewContext(t.Context(), "req-1"), span)
	log.InfoContext(ctx, "with")
	log.InfoContext(context.Background(), "without")
	log.DebugContext(ctx, "too low")
	lines := strings.Split(strings.TrimSpace(out.String()), "\n")
	if len(lines) != 2 || !strings.Contains(lines[0], "request=req-1 trace_id=01020000000000000000000000000000") ||
		strings.Contains(lines[1], "request=") || strings.Contains(lines[1], "trace_id=") {
		t.Errorf("%q", lines)
	}
}

// FuzzText: whatever surrounds a VIN or a key, it does not come through, and masking
// never fails.
func FuzzText(f *testing.F) {
	f.Add("vin=", ", next")
	f.Add("%2", "0")
	f.Add(`\`, `\`)
	f.Add("é", "é")
	f.Fuzz(func(t *testing.T, before, after string) {
		for _, c := range []canary{{vin, vin}, {"bw_shop-a_abcdefghij23_" + secretPart, secretPart}} {
			if got := logs.Text(before + " " + c.text + " " + after); strings.Contains(got, c.secret) {
				t.Errorf("%q", got)
			}
			// Without a space it may be part of a longer word that is a hash or a number.
			if got := logs.Text(before + c.text + after); strings.Contains(got, c.secret) && !strings.Contains(before+after, c.secret) && c.secret == secretPart {
				t.Errorf("%q", got)
			}
		}
	})
}
