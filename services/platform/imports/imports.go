// Package imports reads CSV files into the store, row by row: every row is
// answered on its own, in order, once it is durable; a bad row neither stops
// nor loses the good ones; the same file a second time changes nothing.
//
// The files are RFC 4180 with these liberties: UTF-8 with or without a byte
// order mark; comma, semicolon or tab, whichever the header line uses most; line
// ends LF or CRLF; blank lines are skipped. The first line names the columns, in
// any order, without regard to case or to how words are joined ("Part Number",
// "part_number").
package imports

import (
	"context"
	"io"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/store"
)

// Limits on a file. What exceeds them is refused by name, never cut off.
const (
	// MaxRecord bounds one row, in bytes.
	MaxRecord = 64 << 10
	// MaxSkip bounds how much of a row that is too long is passed over in search of
	// the next line. What goes on for longer is no list of rows, and one who sends
	// such without an end would otherwise be read for as long as the call lasts.
	MaxSkip = 1 << 20
	// MaxColumns bounds the columns of a file.
	MaxColumns = 200
	// MaxChunk bounds one piece of an upload, in bytes.
	MaxChunk = 256 << 10
)

// Column is one column that a file may have.
type Column struct {
	// Name is how the header spells it.
	Name string
	// Required columns must be in every file; the cells may still be empty
	// where Map allows it.
	Required bool
	// Help says what stands in the column, for documentation.
	Help string
}

// Item is the record that a row speaks of.
type Item struct {
	// Key is the record's key.
	Key store.Key
	// Name is the record's resource name, for the row's result.
	Name string
	// Merge makes the new value of the record from the stored one, which is nil
	// where there is none. Unchanged tells that the record already says this.
	// An error refuses the row; a *Problem names the field at fault. Merge may
	// be called more than once and must not keep or alter old.
	Merge func(old []byte) (value []byte, unchanged bool, err error)
}

// Target is what a kind of file is read into.
type Target struct {
	// Columns lists all columns that a file may have.
	Columns []Column
	// Map turns a row into an item. Violations go to fields, under the column's
	// name; a row with violations, or for which Map returns false, is refused.
	Map func(row Row, owner string, fields *check.Fields) (Item, bool)
}

// Problem is an error of Merge that names the column at fault.
type Problem struct { //nolint:errname // it says what is wrong with a row, and seldom travels as an error
	// Field is the column; Text what is wrong; Expected what would be right.
	Field, Text, Expected string
}

// Error implements error.
func (p *Problem) Error() string { return p.Field + ": " + p.Text }

// Input is one import.
type Input struct {
	// Options are the caller's.
	Options *fitmentv1.ImportOptions
	// Owner is the tenant that the rows belong to; Map receives it.
	Owner string
	// Read is the file. Run reads it on a goroutine of its own, which ends with
	// the Read call that is under way when Run returns.
	Read io.Reader
	// Committed, where set, is called after each durable batch and before its
	// results are sent, so that a reader of the store can catch up first. Where it
	// fails, the import ends with an error that says which rows are stored.
	Committed func(ctx context.Context) error
}
