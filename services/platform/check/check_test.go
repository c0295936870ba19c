package check_test

import (
	"math"
	"strconv"
	"strings"
	"testing"
	"unicode/utf8"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/check"
)

func TestEachCheckRefusesWhatItSays(t *testing.T) {
	t.Parallel()
	cases := map[string]struct {
		check func(*check.Fields)
		bad   bool
	}{
		"int inside":      {func(f *check.Fields) { f.Int("x", 3, 1, 3) }, false},
		"int below":       {func(f *check.Fields) { f.Int("x", 0, 1, 3) }, true},
		"int above":       {func(f *check.Fields) { f.Int("x", math.MaxInt64, 1, 3) }, true},
		"number inside":   {func(f *check.Fields) { f.Number("x", 0.5, 0, 1) }, false},
		"number NaN":      {func(f *check.Fields) { f.Number("x", math.NaN(), 0, 1) }, true},
		"number infinite": {func(f *check.Fields) { f.Number("x", math.Inf(1), 0, math.Inf(1)) }, true},
		"number negative": {func(f *check.Fields) { f.Number("x", -1e-9, 0, 1) }, true},
		"text":            {func(f *check.Fields) { f.Text("x", "Köln", 4, true) }, false},
		"text too long":   {func(f *check.Fields) { f.Text("x", "Kölnx", 4, true) }, true},
		"text missing":    {func(f *check.Fields) { f.Text("x", "", 4, true) }, true},
		"text optional":   {func(f *check.Fields) { f.Text("x", "", 4, false) }, false},
		"text control":    {func(f *check.Fields) { f.Text("x", "a\x00b", 9, true) }, true},
		"text not UTF-8":  {func(f *check.Fields) { f.Text("x", "\xff", 9, true) }, true},
		"date":            {func(f *check.Fields) { f.Date("x", "2024-02-29") }, false},
		"date impossible": {func(f *check.Fields) { f.Date("x", "2023-02-29") }, true},
		"date far":        {func(f *check.Fields) { f.Date("x", "9999-01-01") }, true},
	}
	for name, c := range cases {
		var fields check.Fields
		c.check(&fields)
		if fields.OK() == c.bad {
			t.Errorf("%s: violations %v", name, fields.Violations())
		}
	}
}

func TestErrNamesEveryField(t *testing.T) {
	t.Parallel()
	var fields check.Fields
	fields.Int("pages", -1, 0, 9)
	fields.Text("note", "", 9, true)
	err := fields.Err()
	if status.Code(err) != codes.InvalidArgument || apierr.ReasonOf(err) != fitmentv1.ErrorInfo_FIELD_INVALID {
		t.Fatalf("got %v", err)
	}
	var named []string
	for _, detail := range status.Convert(err).Details() {
		if bad, ok := detail.(*errdetails.BadRequest); ok {
			for _, v := range bad.GetFieldViolations() {
				named = append(named, v.GetField())
			}
		}
	}
	if got := strings.Join(named, " "); got != "pages note" {
		t.Errorf("named %q, want both fields", got)
	}
}

// TestProblemsAreBrief: however much a caller sends, the answer quotes a little of
// it, and says what is wrong all the same.
func TestProblemsAreBrief(t *testing.T) {
	t.Parallel()
	long := strings.Repeat("ä", 5000)
	cases := map[string]struct{ problem, want string }{
		"short":          {`"X" is no currency`, `"X" is no currency`},
		"sixty":          {strings.Repeat("x", 60), strings.Repeat("x", 60)},
		"quoted":         {strconv.Quote(long) + " is no currency", `"` + strings.Repeat("ä", 57) + `…" is no currency`},
		"quoted twice":   {strconv.Quote(long) + " is not " + strconv.Quote(long), `"` + strings.Repeat("ä", 57) + `…" is not "` + strings.Repeat("ä", 57) + `…"`},
		"quote at limit": {strconv.Quote(strings.Repeat("x", 58)) + " is no stock number", strconv.Quote(strings.Repeat("x", 58)) + " is no stock number"},
		"marks inside":   {strconv.Quote(`a"b`+long) + " is no VIN", strconv.Quote(`a"b`+strings.Repeat("ä", 53)+"…") + " is no VIN"},
		"not quoted":     {long + " is wrong", strings.Repeat("ä", 199) + "…"},
		"never closed":   {`"` + long, `"` + strings.Repeat("ä", 198) + "…"},
	}
	for name, c := range cases {
		var fields check.Fields
		fields.Add("x", c.problem, "less")
		if got := fields.Violations()[0].Problem; got != c.want {
			t.Errorf("%s: %q, want %q", name, got, c.want)
		}
	}
}

func FuzzProblemsAreBrief(f *testing.F) {
	f.Add("", "\x00\xff")
	f.Add(strings.Repeat("\x01", 500), " is no currency")
	f.Add(strings.Repeat(`"`, 500), `\`)
	f.Fuzz(func(t *testing.T, value, words string) {
		for _, problem := range []string{strconv.Quote(value) + words, value + words} {
			var fields check.Fields
			fields.Add("x", problem, "less")
			got := fields.Violations()[0].Problem
			if utf8.RuneCountInString(got) > 200 || (utf8.ValidString(problem) && !utf8.ValidString(got)) {
				t.Fatalf("%q became %q", problem, got)
			}
		}
		var fields check.Fields
		fields.Add("x", strconv.Quote(value)+" is wrong", "less")
		if got := fields.Violations()[0].Problem; !strings.HasSuffix(got, `" is wrong`) || utf8.RuneCountInString(got) > 60+len(" is wrong") {
			t.Fatalf("%q became %q", value, got)
		}
	})
}
