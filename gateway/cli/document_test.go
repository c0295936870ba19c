package cli_test

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"

	"beltwright.example/gateway/cli"
	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/quote/document"
)

// printed is a document that is no text.
func printed(kind string) *fitmentv1.Document {
	return &fitmentv1.Document{ContentType: kind, FileName: "../../named-by-the-server", Content: []byte("%PDF-1.3\n\x00\xff")}
}

// printCase is a command that writes a document.
type printCase struct {
	args   []string
	asks   proto.Message
	answer proto.Message
	file   string // its name where none is given
}

func printCases() map[string]printCase {
	pdf := printed("application/pdf")
	return map[string]printCase{
		"quote": {
			[]string{"quote", "print", "quotes/Q-1", "--paper", "letter"},
			&quotev1.RenderQuoteRequest{Name: "quotes/Q-1", Format: quotev1.RenderQuoteRequest_PDF, Paper: fitmentv1.Document_LETTER},
			&quotev1.RenderQuoteResponse{Document: pdf}, "Q-1.pdf",
		},
		"quote as a sheet": {
			[]string{"quote", "print", "quotes/Q-1", "--format", "csv"},
			&quotev1.RenderQuoteRequest{Name: "quotes/Q-1", Format: quotev1.RenderQuoteRequest_CSV, Paper: fitmentv1.Document_A4},
			&quotev1.RenderQuoteResponse{Document: printed("text/csv")}, "Q-1.csv",
		},
		"tag": {
			[]string{"listing", "tag", "listings/k.1"},
			&fitmentv1.RenderTagRequest{Name: "listings/k.1", Paper: fitmentv1.Document_A4},
			&fitmentv1.RenderTagResponse{Document: pdf}, "k.1-tag.pdf",
		},
		"shipping facts": {
			[]string{"listing", "shipping", "listings/k.1", "--mode", "cargo-aircraft", "--to-recycler"},
			&fitmentv1.RenderShippingFactsRequest{Name: "listings/k.1", Paper: fitmentv1.Document_A4, Mode: "cargo-aircraft", ToRecycler: true},
			&fitmentv1.RenderShippingFactsResponse{Document: pdf}, "k.1-shipping.pdf",
		},
		"credit note": {
			[]string{"books", "credit-note", "print", "entries/Q-1.0003"},
			&quotev1.RenderCreditNoteRequest{Name: "entries/Q-1.0003", Paper: fitmentv1.Document_A4},
			&quotev1.RenderCreditNoteResponse{Document: pdf}, "Q-1.0003.pdf",
		},
		"repair order": {
			[]string{"repair", "print", "repairOrders/R-1"},
			&quotev1.RenderRepairOrderRequest{Name: "repairOrders/R-1", Paper: fitmentv1.Document_A4},
			&quotev1.RenderRepairOrderResponse{Document: pdf}, "R-1.pdf",
		},
	}
}

// Each command asks for its document and writes it as it is, under the name that
// the user gives or the record has, never one that the server says, and over no
// other file.
func TestDocumentsAreWritten(t *testing.T) {
	t.Chdir(t.TempDir())
	for name, c := range printCases() {
		s := start(t, c.answer, nil)
		code, out, errs := run(t, "", s.to(c.args...)...)
		if code != cli.ExitOK || !strings.Contains(out, c.file) || !strings.Contains(out, "11 bytes") {
			t.Errorf("%s: exit %d, %q, %s", name, code, out, errs)
		}
		if diff := cmp.Diff(c.asks, s.asked, protocmp.Transform()); diff != "" {
			t.Errorf("%s asks (-want +got):\n%s", name, diff)
		}
		if raw, err := os.ReadFile(c.file); err != nil || string(raw) != "%PDF-1.3\n\x00\xff" {
			t.Errorf("%s: %s holds %q, %v", name, c.file, raw, err)
		}
		if code, _, errs := run(t, "", s.to(c.args...)...); code != cli.ExitFailed || !strings.Contains(errs, c.file) {
			t.Errorf("%s: a file that is there was written over: exit %d, %s", name, code, errs)
		}
		if err := os.Remove(c.file); err != nil {
			t.Error(err)
		}
		if code, out, errs := run(t, "", s.to(append(c.args, "-o", "-", "--json")...)...); code != cli.ExitOK || out != "%PDF-1.3\n\x00\xff" {
			t.Errorf("%s to standard output: exit %d, %q, %s", name, code, out, errs)
		}
	}
	if left, err := filepath.Glob("*"); err != nil || len(left) != 0 {
		t.Errorf("other files were written: %q, %v", left, err)
	}
}

// Whoever reads the sheet finds its columns explained.
func TestColumnsOfASheetAreExplained(t *testing.T) {
	t.Parallel()
	code, out, errs := run(t, "", "quote", "print", "--help")
	if code != cli.ExitOK {
		t.Fatalf("exit %d: %s", code, errs)
	}
	for _, column := range document.Columns() {
		if !regexp.MustCompile(`(?m)^  ` + column.Name + ` +` + regexp.QuoteMeta(column.Help) + `$`).MatchString(out) {
			t.Errorf("%s is not explained in\n%s", column.Name, out)
		}
	}
}

func TestDocumentsAreAskedForStrictly(t *testing.T) {
	t.Parallel()
	for want, args := range map[string][]string{
		"--paper":              {"repair", "print", "repairOrders/R-1", "--paper", "a5"},
		"--format":             {"quote", "print", "quotes/Q-1", "--format", "doc"},
		"names no file":        {"listing", "tag", "k.1"},
		"listings/ID, or":      {"listing", "tag", "listings/..\\x"},
		"wants [ENTRY]":        {"books", "credit-note", "print"},
		"entries/ID, or --out": {"books", "credit-note", "print", "entries/.hidden"},
	} {
		s := start(t, &quotev1.RenderQuoteResponse{}, nil)
		if code, _, errs := run(t, "", s.to(args...)...); code != cli.ExitUsage || !strings.Contains(errs, want) || s.asked != nil {
			t.Errorf("%v: exit %d, %s", args, code, errs)
		}
	}
}
