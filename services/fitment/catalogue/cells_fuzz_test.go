package catalogue_test

import (
	"errors"
	"slices"
	"strings"
	"testing"

	"beltwright.example/services/fitment/catalogue"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/imports"
)

// FuzzCells puts arbitrary text into every column of every import of the
// catalogue: reading never panics; a row is refused with a column that the file
// has, or it is stored, and the same row changes nothing a second time.
func FuzzCells(f *testing.F) {
	targets := []imports.Target{catalogue.PartsTarget(), catalogue.SupersessionsTarget(), catalogue.RecallsTarget(), catalogue.VehicleDataTarget()}
	sound := []map[string]string{
		{"maker": "Oskeld", "number": "OR-1", "kind": "buckle pretensioner", "positions": "1 RIGHT", "make": "Tarvena", "model": "Brook", "year_from": "2004", "year_to": "2008"},
		{"maker": "Oskeld", "old_number": "OR-1", "new_number": "OR-2", "year_from": "2004", "year_to": "2008"},
		{"type": "notice", "campaign": "X-1", "published": "2026-01-31", "maker": "Oskeld", "numbers": "OR-1"},
		{"make": "Tarvena", "model": "Brook", "year_from": "2004", "year_to": "2008", "dialect": "standard"},
	}
	for i := range targets {
		f.Add(byte(i), byte(0), "")
		for column := range targets[i].Columns {
			for _, text := range []string{"1", "yes", "2006-03", "99999999999", "1e400", "\x00\xff", "Ａ", "-1 LEFT;;|"} {
				f.Add(byte(i), byte(column), text)
			}
		}
	}
	f.Fuzz(func(t *testing.T, which, column byte, text string) {
		at := int(which) % len(targets)
		target, cells := targets[at], map[string]string{}
		known := make([]string, 0, len(target.Columns))
		for _, c := range target.Columns {
			known = append(known, c.Name)
			if cell, ok := sound[at][c.Name]; ok {
				cells[c.Name] = cell
			}
		}
		// Several cells at once: the text's pieces go into the columns from here on.
		for i, piece := range strings.Split(text, "\x1f") {
			cells[known[(int(column)+i)%len(known)]] = piece
		}
		var fields check.Fields
		item, ok := target.Map(imports.NewRow(2, cells), "common", &fields)
		if ok != fields.OK() {
			t.Fatalf("taken %t with %v", ok, fields.Violations())
		}
		for _, v := range fields.Violations() {
			if !slices.Contains(known, v.Field) || v.Problem == "" || v.Expected == "" {
				t.Fatalf("%v: %+v", cells, v)
			}
		}
		if !ok {
			return
		}
		if item.Key.Tenant != catalogue.Tenant || item.Key.ID == "" || strings.ContainsAny(item.Key.ID, ":/ ") {
			t.Fatalf("%v: key %v", cells, item.Key)
		}
		value, _, err := item.Merge(nil)
		if problem := (*imports.Problem)(nil); errors.As(err, &problem) && slices.Contains(known, problem.Field) {
			return // a row may add to a part, and lack what makes one
		} else if err != nil {
			t.Fatalf("%v: %v", cells, err)
		}
		if _, unchanged, err := item.Merge(value); err != nil || !unchanged {
			t.Fatalf("%v a second time: unchanged %t, %v", cells, unchanged, err)
		}
	})
}
