package build

import (
	"bytes"
	"cmp"
	"compress/gzip"
	"encoding/binary"
	"fmt"
	"maps"
	"slices"
	"strings"

	"beltwright.example/services/fitment/vindata"
)

// Encode writes a Set in the form that package vindata describes and reads.
func Encode(set *Set) ([]byte, error) {
	e := newEncoder(set)
	e.out = append(e.out, vindata.Magic...)
	e.text(set.Source)
	e.text(set.Date)
	e.list(e.texts)
	e.list(e.keys)
	e.models()
	e.count(len(set.Schemas))
	for _, patterns := range set.Schemas {
		e.schema(patterns)
	}
	e.count(len(set.WMIs))
	for _, w := range set.WMIs {
		e.wmi(w)
	}
	var packed bytes.Buffer
	z, err := gzip.NewWriterLevel(&packed, gzip.BestCompression)
	if err != nil {
		return nil, fmt.Errorf("compressing: %w", err)
	}
	if _, err := z.Write(e.out); err != nil {
		return nil, fmt.Errorf("compressing: %w", err)
	}
	if err := z.Close(); err != nil {
		return nil, fmt.Errorf("compressing: %w", err)
	}
	return packed.Bytes(), nil
}

type named struct{ make, name string }

type encoder struct {
	out           []byte
	texts, keys   []string
	names         []named
	textAt, keyAt map[string]int
	nameAt        map[named]int
}

// newEncoder numbers all texts, keys and models in their order, which makes
// neighbours alike and the file small.
func newEncoder(set *Set) *encoder {
	texts, keys, names := map[string]bool{}, map[string]bool{}, map[named]bool{}
	for _, patterns := range set.Schemas {
		for _, p := range patterns {
			keys[p.Key] = true
			texts[p.Value] = true
			if p.Element == vindata.Model {
				texts[p.Make] = true
				names[named{make: p.Make, name: p.Value}] = true
			}
		}
	}
	for _, w := range set.WMIs {
		for _, m := range w.Makes {
			texts[m] = true
		}
	}
	e := &encoder{
		texts: slices.Sorted(maps.Keys(texts)), keys: slices.Sorted(maps.Keys(keys)),
		names: slices.SortedFunc(maps.Keys(names), func(a, b named) int {
			return cmp.Or(strings.Compare(a.make, b.make), strings.Compare(a.name, b.name))
		}),
		nameAt: map[named]int{},
	}
	e.textAt, e.keyAt = numbered(e.texts), numbered(e.keys)
	for i, n := range e.names {
		e.nameAt[n] = i
	}
	return e
}

func numbered(list []string) map[string]int {
	at := make(map[string]int, len(list))
	for i, text := range list {
		at[text] = i
	}
	return at
}

func (e *encoder) count(n int) { e.out = binary.AppendUvarint(e.out, uint64(n)) }

func (e *encoder) text(text string) {
	e.count(len(text))
	e.out = append(e.out, text...)
}

func (e *encoder) list(texts []string) {
	e.count(len(texts))
	for _, text := range texts {
		e.text(text)
	}
}

func (e *encoder) models() {
	e.count(len(e.names))
	for _, n := range e.names {
		e.count(e.textAt[n.make])
		e.count(e.textAt[n.name])
	}
}

// schema writes each key once, as its distance from the one before, with the
// elements that it decides.
func (e *encoder) schema(patterns []Pattern) {
	groups := slices.Collect(func(yield func([]Pattern) bool) {
		for len(patterns) > 0 {
			n := 1
			for n < len(patterns) && patterns[n].Key == patterns[0].Key {
				n++
			}
			if !yield(patterns[:n]) {
				return
			}
			patterns = patterns[n:]
		}
	})
	e.count(len(groups))
	last := 0
	for _, group := range groups {
		at := e.keyAt[group[0].Key]
		e.count(at - last)
		last = at
		e.count(len(group))
		for _, p := range group {
			e.out = append(e.out, byte(p.Element))
			if p.Element == vindata.Model {
				e.count(e.nameAt[named{make: p.Make, name: p.Value}])
			} else {
				e.count(e.textAt[p.Value])
			}
		}
	}
}

func (e *encoder) wmi(w WMI) {
	e.text(w.Code)
	e.out = append(e.out, byte(w.Type))
	e.count(len(w.Makes))
	for _, m := range w.Makes {
		e.count(e.textAt[m])
	}
	e.count(len(w.Uses))
	for _, u := range w.Uses {
		e.count(u.Schema)
		e.count(u.From)
		e.count(u.To)
	}
}
