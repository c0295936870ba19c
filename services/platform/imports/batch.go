package imports

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/store"
)

// attempts bounds how often a record that others change meanwhile is read and
// merged again.
const attempts = 16

// batch holds the rows between two commits.
type batch struct {
	store  store.Store
	target Target
	in     Input
	send   func(*fitmentv1.RowResult) error
	sum    *fitmentv1.ImportSummary
	dry    *scratch // nil unless this is a dry run

	rows  []row
	heads map[store.Key]*head
	order []*head // as first met
	size  int
}

// row is a row with what became of it so far.
type row struct {
	result *fitmentv1.RowResult
	item   Item
}

// head is a record that rows of this batch speak of.
type head struct {
	key     store.Key
	version int64  // as stored; store.Absent where it is not
	stored  []byte // as stored; nil where it is not
	value   []byte // after the rows so far
	rows    []int  // the rows that speak of it
}

func (h *head) changed() bool {
	return h.value != nil && (h.stored == nil || !bytes.Equal(h.stored, h.value))
}

func newBatch(st store.Store, target Target, in Input, send func(*fitmentv1.RowResult) error) (*batch, error) {
	b := &batch{
		store: st, target: target, in: in, send: send, heads: map[store.Key]*head{},
		sum: &fitmentv1.ImportSummary{DryRun: in.Options.GetDryRun()},
	}
	if b.sum.GetDryRun() {
		var err error
		if b.dry, err = newScratch(); err != nil {
			return nil, err
		}
	}
	return b, nil
}

func (b *batch) close() {
	if b.dry != nil {
		b.dry.close()
	}
}

// take adds a row, and flushes where the batch is full.
func (b *batch) take(ctx context.Context, in parsed) error {
	out := row{result: &fitmentv1.RowResult{Row: int32(in.line)}}
	b.size += in.size
	if in.fault != nil {
		reject(out.result, in.fault)
	} else if item, ok := b.mapped(in, out.result); ok {
		out.item = item
		out.result.Name = item.Name
		h, err := b.head(ctx, item.Key)
		if err != nil {
			return storeProblem(err)
		}
		h.rows = append(h.rows, len(b.rows))
		h.merge(out)
		b.size += len(h.value)
	}
	b.rows = append(b.rows, out)
	if len(b.rows) >= batchRows || b.size >= batchBytes {
		return b.flush(ctx)
	}
	return nil
}

// mapped turns cells into an item; false where the row is refused.
func (b *batch) mapped(in parsed, result *fitmentv1.RowResult) (Item, bool) {
	var fields check.Fields
	item, ok := b.target.Map(Row{Line: in.line, cells: in.cells, columns: in.columns}, b.in.Owner, &fields)
	for _, v := range fields.Violations() {
		reject(result, &Problem{Field: v.Field, Text: v.Problem, Expected: v.Expected})
	}
	if !ok && fields.OK() {
		reject(result, &Problem{Field: wholeRow, Text: "names no record", Expected: "the columns that identify it"})
	}
	if !ok || !fields.OK() {
		return Item{}, false
	}
	if p := keyProblem(item.Key); p != nil {
		reject(result, p)
		return Item{}, false
	}
	return item, true
}

// keyProblem refuses a key that no store takes: the row is at fault, not the
// import.
func keyProblem(key store.Key) *Problem {
	for _, part := range []string{key.Tenant, key.Kind, key.ID} {
		if part == "" || len(part) > store.MaxKeyPart || strings.IndexByte(part, 0) >= 0 {
			return &Problem{
				Field: wholeRow, Text: "names a record in a way that cannot be stored",
				Expected: fmt.Sprintf("names of 1 to %d bytes, none of them zero", store.MaxKeyPart),
			}
		}
	}
	return nil
}

// head returns the record as the rows before left it.
func (b *batch) head(ctx context.Context, key store.Key) (*head, error) {
	if h := b.heads[key]; h != nil {
		return h, nil
	}
	h := &head{key: key}
	if err := b.load(ctx, h); err != nil {
		return nil, err
	}
	b.heads[key] = h
	b.order = append(b.order, h)
	return h, nil
}

// load reads the record from what a dry run keeps, or from the store.
func (b *batch) load(ctx context.Context, h *head) error {
	h.version, h.stored, h.value = store.Absent, nil, nil
	if b.dry != nil {
		value, found, err := b.dry.get(h.key)
		if err != nil {
			return err
		}
		if found {
			h.stored, h.value = value, value
			return nil
		}
	}
	found, err := b.store.Get(ctx, h.key)
	switch {
	case errors.Is(err, store.ErrNotFound):
		return nil
	case err != nil:
		return err
	}
	h.version, h.stored = found.Version, append([]byte{}, found.Value...)
	h.value = h.stored
	return nil
}

// merge applies a row to the record and notes the outcome.
func (h *head) merge(r row) {
	value, unchanged, err := r.item.Merge(h.value)
	r.result.Problems = nil
	switch {
	case err != nil:
		reject(r.result, asProblem(err))
	case len(value) > store.MaxValue:
		reject(r.result, &Problem{
			Field: wholeRow, Text: fmt.Sprintf("makes a record of %d bytes", len(value)),
			Expected: fmt.Sprintf("at most %d", store.MaxValue),
		})
	case unchanged, h.value != nil && bytes.Equal(h.value, value):
		r.result.Outcome = fitmentv1.RowResult_UNCHANGED
	case h.value == nil:
		r.result.Outcome = fitmentv1.RowResult_CREATED
		h.value = append([]byte{}, value...)
	default:
		r.result.Outcome = fitmentv1.RowResult_UPDATED
		h.value = append([]byte{}, value...)
	}
}

// flush makes the rows durable and then sends their results.
func (b *batch) flush(ctx context.Context) error {
	if len(b.rows) == 0 {
		return nil
	}
	if err := b.commit(ctx); err != nil {
		return err
	}
	for _, r := range b.rows {
		b.count(r.result)
		if err := b.send(r.result); err != nil {
			return err
		}
	}
	b.rows, b.order, b.size = b.rows[:0], b.order[:0], 0
	clear(b.heads)
	return nil
}

// finish flushes what is left and ends the import.
func (b *batch) finish(ctx context.Context, end error) (*fitmentv1.ImportSummary, error) {
	if err := b.flush(ctx); err != nil {
		return nil, err
	}
	if !errors.Is(end, io.EOF) {
		return nil, end
	}
	if err := ctx.Err(); err != nil {
		return nil, storeProblem(err)
	}
	return b.sum, nil
}

// commit stores the records that changed; a dry run keeps them aside.
func (b *batch) commit(ctx context.Context) error {
	open := b.order
	stored := false
	for range attempts {
		var dirty []*head
		for _, h := range open {
			if h.changed() {
				dirty = append(dirty, h)
			}
		}
		if len(dirty) == 0 {
			open = nil
			break
		}
		if b.dry != nil {
			return b.dry.put(dirty)
		}
		conflicts, err := b.apply(ctx, dirty)
		if err != nil {
			return storeProblem(err)
		}
		stored = stored || len(conflicts) < len(dirty)
		if open = conflicts; len(open) == 0 {
			break
		}
	}
	for _, h := range open {
		b.refuse(h, &Problem{
			Field: wholeRow, Text: fmt.Sprintf("met another change of its record %d times", attempts),
			Expected: "the row again, in a new import",
		})
	}
	if stored && b.in.Committed != nil {
		if err := b.in.Committed(ctx); err != nil {
			return b.unanswered(err)
		}
	}
	return nil
}

// unanswered is the error for rows that are stored but cannot be answered, since
// a reader of the store could not catch up.
func (b *batch) unanswered(cause error) error {
	code := codes.Unavailable
	switch {
	case errors.Is(cause, context.Canceled):
		code = codes.Canceled
	case errors.Is(cause, context.DeadlineExceeded), status.Code(cause) == codes.DeadlineExceeded:
		code = codes.DeadlineExceeded
	}
	first, last := b.rows[0].result.GetRow(), b.rows[len(b.rows)-1].result.GetRow()
	return apierr.Retry(code, fitmentv1.ErrorInfo_NOT_READY, time.Second,
		"the good ones of rows %d to %d are stored but not answered, because what reads them has not caught up; "+
			"import the file again: rows that are stored answer UNCHANGED", first, last)
}

// apply writes the records, each on its own, and returns those that somebody
// else changed meanwhile, read and merged again.
func (b *batch) apply(ctx context.Context, dirty []*head) ([]*head, error) {
	changes := make([]store.Change, len(dirty))
	for i, h := range dirty {
		changes[i].Puts = []store.Put{{Key: h.key, Expect: h.version, Value: h.value}}
	}
	results, err := b.store.Apply(ctx, changes...)
	if err != nil {
		return nil, err
	}
	var conflicts []*head
	for i, h := range dirty {
		switch err := results[i].Err; {
		case err == nil:
		case errors.Is(err, store.ErrConflict):
			if err := b.load(ctx, h); err != nil {
				return nil, err
			}
			for _, at := range h.rows {
				h.merge(b.rows[at])
			}
			conflicts = append(conflicts, h)
		case errors.Is(err, store.ErrQuota):
			b.refuse(h, full(err))
		default:
			b.refuse(h, &Problem{Field: wholeRow, Text: "cannot be stored: " + err.Error()})
		}
	}
	return conflicts, nil
}

// full is the problem of a row that makes a record more than may be kept.
func full(err error) *Problem {
	problem := &Problem{Field: wholeRow, Text: "cannot be stored: " + err.Error(), Expected: "no new records"}
	if quota, ok := errors.AsType[*store.QuotaError](err); ok {
		problem = &Problem{
			Field: wholeRow, Text: fmt.Sprintf("is new, and %d %s are kept already, the most that may be", quota.Limit, quota.Kind),
			Expected: "rows of " + quota.Kind + " that are there, or a higher quota from whoever runs this deployment",
		}
	}
	return problem
}

// refuse rejects the rows that would have changed the record.
func (b *batch) refuse(h *head, problem *Problem) {
	for _, at := range h.rows {
		if result := b.rows[at].result; result.GetOutcome() != fitmentv1.RowResult_REJECTED {
			reject(result, problem)
		}
	}
}

func (b *batch) count(result *fitmentv1.RowResult) {
	b.sum.Rows++
	switch result.GetOutcome() {
	case fitmentv1.RowResult_CREATED:
		b.sum.Created++
	case fitmentv1.RowResult_UPDATED:
		b.sum.Updated++
	case fitmentv1.RowResult_UNCHANGED:
		b.sum.Unchanged++
	default:
		b.sum.Rejected++
	}
}

// reject notes a problem of a row.
func reject(result *fitmentv1.RowResult, p *Problem) {
	result.Outcome = fitmentv1.RowResult_REJECTED
	result.Problems = append(result.Problems, &fitmentv1.FieldProblem{
		Field: short(p.Field), Problem: short(p.Text), Expected: short(p.Expected),
	})
}

// asProblem reads an error of Merge.
func asProblem(err error) *Problem {
	if problem, ok := errors.AsType[*Problem](err); ok {
		return problem
	}
	return &Problem{Field: wholeRow, Text: err.Error()}
}

// short keeps messages readable, and valid whatever a file says.
func short(text string) string {
	const longest = 500
	text = strings.ToValidUTF8(text, "\ufffd")
	if runes := []rune(text); len(text) > longest && len(runes) > longest {
		return string(runes[:longest]) + "…"
	}
	return text
}
