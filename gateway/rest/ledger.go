package rest

import (
	"context"
	"io"
	"net/http"
	"time"

	"google.golang.org/grpc"

	"beltwright.example/gateway/content"
	"beltwright.example/gateway/strict"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
)

// ledgerPath is where the ledger is.
const ledgerPath = "/v1/books:exportLedger"

// ledger serves the ledger of a period as the file that it is.
type ledger struct {
	conn  grpc.ClientConnInterface
	stall time.Duration
}

// download sends it. Its length is not known beforehand, so where it breaks off, the
// connection is cut: nobody takes a part for the whole.
func (l ledger) download(w http.ResponseWriter, r *http.Request, key string) error {
	if err := (&exchange{request: r}).noBody(); err != nil {
		return err
	}
	values, err := strict.ParseQuery(r.URL.RawQuery)
	if err != nil {
		return err
	}
	request := &quotev1.ExportLedgerRequest{}
	if err := strict.Query(values, request); err != nil {
		return err
	}
	ctx, cancel := context.WithCancel(withKey(r.Context(), key))
	defer cancel()
	from, err := content.Ledger(ctx, l.conn, request)
	if err != nil {
		return jsonPaths(err)
	}
	out := newLines(w, l.stall)
	_ = out.controller.SetReadDeadline(time.Time{}) // as for attachments
	w.Header().Set("Content-Type", "text/csv; charset=utf-8; header=present")
	w.Header().Set("Content-Disposition", `attachment; filename="ledger.csv"`)
	if _, err := io.Copy(body{out}, from); err != nil {
		cut(out.controller)
	}
	return nil
}

// cut ends a connection in the middle of an answer.
func cut(controller *http.ResponseController) {
	if conn, _, err := controller.Hijack(); err == nil {
		_ = conn.Close()
	}
}
