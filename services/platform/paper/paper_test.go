package paper_test

import (
	"bytes"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"beltwright.example/services/platform/paper"
	"beltwright.example/services/platform/paper/papertest"
)

var made = time.Date(2026, time.March, 10, 9, 30, 0, 0, time.UTC)

func render(t *testing.T, size paper.Size, draw func(d *paper.Doc)) []byte {
	t.Helper()
	pdf, err := paper.Render(paper.Sheet{Size: size, Title: "Sample S-1", Foot: "Alder Road Garage", Made: made}, draw)
	if err != nil {
		t.Fatal(err)
	}
	return pdf
}

// The sizes are those of ISO 216 and 8.5 in by 11 in, in points of 1/72 in.
func TestBothPapers(t *testing.T) {
	t.Parallel()
	for size, want := range map[paper.Size]string{paper.A4: "595.28 x 841.89 pts (A4)", paper.Letter: "612 x 792 pts (letter)"} {
		info := papertest.Info(t, render(t, size, func(d *paper.Doc) { d.Text("hello") }))
		if !strings.Contains(info, want) || !strings.Contains(info, "Sample S-1") {
			t.Errorf("want %s in\n%s", want, info)
		}
	}
	if _, err := paper.Render(paper.Sheet{Size: 7}, func(*paper.Doc) {}); !errors.Is(err, paper.ErrSize) {
		t.Errorf("an unknown size: %v", err)
	}
}

func everything(d *paper.Doc) {
	d.Title("Sample")
	d.Pairs([]paper.Pair{{Name: "customer", Value: "Ødegård & Søn"}, {Name: "empty", Value: ""}, {Name: "vehicle", Value: "Жигули, Ωμέγα, \u8eca"}})
	d.Heading("A heading")
	d.Text(strings.Repeat("Some words that go on and on. ", 12))
	d.Strong("what stands out")
	d.List([]string{"one", strings.Repeat("two goes over the line ", 9)})
	d.Huge("KETTLEWICK-000123456789-AN-UNUSUALLY-LONG-NUMBER", 40)
	var rows []paper.Row
	for i := range 70 {
		rows = append(rows, paper.Row{Cells: []string{fmt.Sprintf("row%d", i), strings.Repeat("wrapped text ", i%7), fmt.Sprintf("%d.00", i)}})
	}
	d.Table([]paper.Column{{Name: "item", Share: 1}, {Name: "what it is", Share: 3}, {Name: "USD", Share: 1, Number: true}},
		append(rows, paper.Row{Cells: []string{"total", "", "2415.00"}, Strong: true}))
	d.Bars([]paper.Bar{{At: 100, Chance: 0.6}, {At: 180, Chance: 0.25}, {At: 181, Chance: 0.05}, {At: 400, Chance: 0.1}}, "100.00 USD", "400.00 USD",
		[]paper.Mark{{At: 154.05, Name: "expected 154.05 USD"}, {At: 400, Name: "worst"}})
	d.Code("https://example.org/v1/listings/kettlewick.SOLANE-1", 40, func() { d.Huge("SOLANE-1", 30) })
	d.Rule()
	d.Text("the end")
}

func TestWhatIsDrawnIsReadBack(t *testing.T) {
	t.Parallel()
	for name, size := range map[string]paper.Size{"a4": paper.A4, "letter": paper.Letter} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			pdf := render(t, size, everything)
			text := papertest.Text(t, pdf)
			for _, want := range []string{"Ødegård & Søn", "Жигули, Ωμέγα, U+8ECA", "what stands out", "row0", "row69", "2415.00", "highest bar: 60.0 %", "A: expected 154.05 USD", "listings/kettlewick.SOLANE-1", "the end"} {
				if !strings.Contains(text, want) {
					t.Errorf("the text lacks %q", want)
				}
			}
			pages := strings.Split(strings.TrimSuffix(text, "\f"), "\f")
			if len(pages) < 3 {
				t.Fatalf("%d pages; a long table must break", len(pages))
			}
			for i, page := range pages {
				if want := fmt.Sprintf("page %d of %d", i+1, len(pages)); !strings.Contains(page, want) {
					t.Errorf("page %d lacks %q", i+1, want)
				}
				if strings.Contains(page, "row") && !strings.Contains(page, "what it is") {
					t.Errorf("page %d has rows and no header", i+1)
				}
			}
			var codes []string
			for _, page := range papertest.Pages(t, "sample-"+name, pdf) {
				codes = append(codes, papertest.Codes(t, page)...)
			}
			if diff := cmp.Diff([]string{"https://example.org/v1/listings/kettlewick.SOLANE-1"}, codes); diff != "" {
				t.Errorf("codes (-want +got):\n%s", diff)
			}
		})
	}
}

func TestTheSameContentGivesTheSameBytes(t *testing.T) {
	t.Parallel()
	first := render(t, paper.A4, everything)
	for range 5 {
		if !bytes.Equal(first, render(t, paper.A4, everything)) {
			t.Fatal("other bytes for the same content")
		}
	}
	if !bytes.Contains(first, []byte("D:20260310093000")) {
		t.Error("the time is not the content's")
	}
}

// A cell that is higher than a page goes on over pages, and none of it is lost.
func TestARowHigherThanAPage(t *testing.T) {
	t.Parallel()
	var words []string
	for i := range 2500 {
		words = append(words, fmt.Sprintf("w%d", i))
	}
	pdf := render(t, paper.Letter, func(d *paper.Doc) {
		d.Table([]paper.Column{{Name: "note", Share: 1}, {Name: "n", Share: 1, Number: true}}, paper.Rows([]string{strings.Join(words, " "), "7"}))
	})
	text := " " + papertest.Flat(t, pdf) + " "
	for _, word := range words {
		if !strings.Contains(text, " "+word+" ") {
			t.Fatalf("%s is lost", word)
		}
	}
}

func TestACodeThatCannotBeIsAnError(t *testing.T) {
	t.Parallel()
	_, err := paper.Render(paper.Sheet{}, func(d *paper.Doc) { d.Code(strings.Repeat("x", 4000), 40, func() {}) })
	if err == nil || !strings.Contains(err.Error(), "4000 characters") {
		t.Errorf("got %v", err)
	}
}

func TestPrintable(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]string{
		"plain":         "plain",
		"e\u0301":       "é",
		"a\tb":          "a b",
		"12\u00a0Ω":     "12 Ω",
		"\u8eca":        "U+8ECA",
		"\u202egnp.exe": "U+202Egnp.exe",
		"\x00":          "U+0000",
		"😀":             "U+1F600",
		"a\xff":         "a\ufffd",
		"a\nb":          "a\nb",
	} {
		if got := paper.Printable(text); got != want {
			t.Errorf("%q prints as %q, want %q", text, got, want)
		}
	}
}
