package cli

import (
	"errors"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/amount"
	"beltwright.example/services/platform/apierr"
)

// printer writes lines and remembers the first error.
type printer struct {
	out io.Writer
	err error
}

func (p *printer) linef(format string, args ...any) {
	if p.err == nil {
		_, p.err = fmt.Fprintf(p.out, format+"\n", args...)
	}
}

// text writes a text that has its line ends.
func (p *printer) text(text string) {
	if p.err == nil {
		_, p.err = io.WriteString(p.out, text)
	}
}

// list writes sentences as a list; nothing where there are none.
func (p *printer) list(title string, items []string) {
	if len(items) == 0 {
		return
	}
	p.linef("%s", title)
	for _, item := range items {
		p.linef("  - %s", item)
	}
}

// table writes rows in aligned columns under a header.
func (p *printer) table(header []string, rows [][]string) {
	if p.err != nil {
		return
	}
	w := tabwriter.NewWriter(p.out, 0, 0, 2, ' ', 0)
	_, p.err = fmt.Fprintln(w, strings.Join(header, "\t"))
	for _, row := range rows {
		if p.err == nil {
			_, p.err = fmt.Fprintln(w, strings.Join(row, "\t"))
		}
	}
	p.err = errors.Join(p.err, w.Flush())
}

// verdictWords are the words that people are shown, with a shape each, so that
// nothing depends on colour.
var verdictWords = map[fitmentv1.Decision_Verdict]string{
	fitmentv1.Decision_FITS:         "● fits",
	fitmentv1.Decision_PROVE_FIRST:  "◐ prove first",
	fitmentv1.Decision_DOES_NOT_FIT: "○ does not fit",
	fitmentv1.Decision_BARRED:       "✕ barred",
}

func verdict(v fitmentv1.Decision_Verdict) string {
	if word, ok := verdictWords[v]; ok {
		return word
	}
	return "? not decided"
}

// words makes an enum value readable.
func words(value fmt.Stringer) string {
	return strings.ToLower(strings.ReplaceAll(value.String(), "_", " "))
}

func place(position *fitmentv1.Position) string {
	if position.GetRow() == 0 && position.GetSide() == fitmentv1.Position_SIDE_UNSPECIFIED {
		return ""
	}
	return fmt.Sprintf("row %d %s", position.GetRow(), words(position.GetSide()))
}

func cash(value int64, currency string) string {
	return amount.Format(value, currency) + " " + currency
}

// explain turns an error of a command into text that says what to do: every field
// that is wrong, with its flag, and when trying again is worth it.
func explain(cmd *cobra.Command, err error) string {
	var carrier interface{ GRPCStatus() *status.Status }
	if !errors.As(err, &carrier) {
		return err.Error()
	}
	s := carrier.GRPCStatus()
	var text strings.Builder
	text.WriteString(s.Message())
	if s.Code() == codes.Unavailable && apierr.ReasonOf(err) == fitmentv1.ErrorInfo_REASON_UNSPECIFIED {
		text.Reset()
		text.WriteString("the server does not answer, or is not ready (" + s.Message() + ")") // the message is grpc's
	}
	for _, detail := range s.Details() {
		switch detail := detail.(type) {
		case *errdetails.BadRequest:
			violations := detail.GetFieldViolations()
			if len(violations) == 0 {
				continue
			}
			if first := violations[0].GetField(); strings.HasPrefix(s.Message(), first+": ") {
				rest := strings.TrimPrefix(text.String(), first)
				text.Reset()
				text.WriteString(hinted(cmd, first) + rest)
			}
			if len(violations) == 1 {
				continue // the message says it already
			}
			for _, v := range violations {
				text.WriteString("\n  " + hinted(cmd, v.GetField()) + ": " + v.GetDescription())
			}
		case *errdetails.RetryInfo:
			if apierr.ReasonOf(err) == fitmentv1.ErrorInfo_RATE_LIMITED {
				continue // the message says it already
			}
			text.WriteString("\n  trying again is worth it after " + wholeSeconds(detail.GetRetryDelay().AsDuration()).String())
		}
	}
	if next := whatNext(s, apierr.ReasonOf(err)); next != "" {
		text.WriteString("\n  " + next)
	}
	return text.String()
}

// whatNext says what somebody at the command line can do about an error; nothing
// where its message says it already.
func whatNext(s *status.Status, reason fitmentv1.ErrorInfo_Reason) string {
	switch reason {
	case fitmentv1.ErrorInfo_CREDENTIAL_INVALID:
		return "give the key with --key-file FILE or BELTWRIGHT_KEY, or sign in with beltwright sign-in"
	case fitmentv1.ErrorInfo_PERMISSION_MISSING:
		return "take another key (--key-file FILE), or sign in as somebody who sits there; administrators give people their desks, and make keys"
	case fitmentv1.ErrorInfo_ROUTE_UNKNOWN:
		return "where the quote service is a process of its own, give its address too: --quote-server ADDRESS"
	case fitmentv1.ErrorInfo_REASON_UNSPECIFIED:
		if s.Code() == codes.Unavailable {
			return whyUnreachable(s.Message())
		}
	default:
	}
	return ""
}

// whyUnreachable guesses from what gRPC says why no connection came about.
func whyUnreachable(message string) string {
	switch {
	case strings.Contains(message, "certificate"):
		return "the certificates in --tls and those of the server are not of one authority, or the server lets in others only"
	case strings.Contains(message, "server preface"):
		return "does the server speak TLS? Then give --tls DIRECTORY, with a certificate for you, such as certs/client of beltwright devcerts"
	default:
		return "is the server running? Start one with: beltwright serve; or say where it is: --server ADDRESS"
	}
}

// wholeSeconds rounds a wait up to whole seconds, as people read it.
func wholeSeconds(wait time.Duration) time.Duration {
	return (wait + time.Second - 1).Truncate(time.Second)
}
