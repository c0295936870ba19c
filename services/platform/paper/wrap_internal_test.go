package paper

import (
	"strings"
	"testing"
	"unicode/utf8"

	"pgregory.net/rapid"
)

// Nothing but white space is lost in wrapping, and no line is too long unless it
// is a single character.
func TestWrap(t *testing.T) {
	t.Parallel()
	measure := func(text string) float64 { return float64(utf8.RuneCountInString(text)) }
	bare := func(text string) string { return strings.Join(strings.Fields(text), "") }
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.StringMatching(`[a-zé \n]{0,200}`).Draw(t, "text")
		width := rapid.IntRange(1, 30).Draw(t, "width")
		lines := wrap(text, float64(width), measure)
		if got, want := bare(strings.Join(lines, "\n")), bare(text); got != want {
			t.Fatalf("%q became %q", want, got)
		}
		for _, line := range lines {
			if n := utf8.RuneCountInString(line); n > width {
				t.Fatalf("the line %q is longer than %d", line, width)
			}
		}
	})
}

func TestTheFontCanBeRead(t *testing.T) {
	t.Parallel()
	if glyphs == nil {
		t.Fatal("the font of the program cannot be read")
	}
}

// What is grouped has the same chance in all.
func TestGroupsAddUp(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		bars := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) Bar {
			return Bar{At: float64(rapid.IntRange(0, 1_000_000).Draw(t, "at")), Chance: rapid.Float64Range(1e-9, 1).Draw(t, "chance")}
		}), 1, 200).Draw(t, "bars")
		s := newScale(bars, nil, 160)
		var before, after float64
		for _, bar := range bars {
			before += bar.Chance
		}
		groups := s.group(bars)
		for _, bar := range groups {
			after += bar.Chance
			if x := s.x(bar.At); x < s.from-1e-9 || x > s.from+s.width+1e-9 {
				t.Fatalf("a bar stands at %v, outside the scale", x)
			}
		}
		if len(groups) > maxBars || before-after > 1e-9*before || after-before > 1e-9*before {
			t.Fatalf("%v in %d groups became %v", before, len(groups), after)
		}
	})
}
