package vindata

import (
	"bytes"
	"compress/gzip"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
)

// largest is the most that a data file may unpack to, in bytes.
const largest = 64 << 20

// table is the data as it is searched.
type table struct {
	facts   Facts
	texts   []string
	keys    []string
	masks   []mask // of the keys
	models  []model
	schemas []span // of groups
	groups  []group
	items   []item
	wmis    map[string]wmi
}

type model struct{ make, name uint32 }

// span is a half-open stretch of another list.
type span struct{ from, to uint32 }

// group is a key and the items that a VIN with this key has.
type group struct {
	key   uint32
	items span
}

type item struct {
	value   uint32
	element Element
}

type wmi struct {
	kind  Type
	makes []uint32
	uses  []use
}

type use struct {
	schema   uint32
	from, to int32
}

var errDamaged = errors.New("the VIN data is damaged")

// load unpacks and reads a data file. It refuses what is cut short or refers to
// what is not there, so that looking up needs no checks.
func load(file []byte) (*table, error) {
	z, err := gzip.NewReader(bytes.NewReader(file))
	if err != nil {
		return nil, fmt.Errorf("VIN data: %w", err)
	}
	raw, err := io.ReadAll(io.LimitReader(z, largest))
	if err != nil {
		return nil, fmt.Errorf("VIN data: %w", err)
	}
	rest, ok := bytes.CutPrefix(raw, []byte(Magic))
	if !ok {
		return nil, fmt.Errorf("%w: it does not begin with %q", errDamaged, Magic)
	}
	// One string for everything: texts and keys are slices of it.
	r := &source{rest: string(rest)}
	t := &table{wmis: map[string]wmi{}}
	t.facts = Facts{Source: r.text(), Date: r.text(), Packed: len(file), Unpacked: len(raw)}
	t.texts, t.keys = r.list(), r.list()
	t.masks = make([]mask, len(t.keys))
	for i, key := range t.keys {
		t.masks[i] = allowed(key)
	}
	t.readModels(r)
	t.readSchemas(r)
	t.readWMIs(r)
	if r.err == nil && r.rest != "" {
		r.err = fmt.Errorf("%w: %d bytes are left over", errDamaged, len(r.rest))
	}
	if r.err != nil {
		return nil, r.err
	}
	t.facts.Identifiers, t.facts.Schemas = len(t.wmis), len(t.schemas)
	t.facts.Keys, t.facts.Patterns = len(t.keys), len(t.items)
	return t, nil
}

func (t *table) readModels(r *source) {
	t.models = make([]model, r.size())
	for i := range t.models {
		t.models[i] = model{make: r.below(len(t.texts)), name: r.below(len(t.texts))}
	}
}

func (t *table) readSchemas(r *source) {
	t.schemas = make([]span, r.size())
	for i := range t.schemas {
		t.schemas[i].from = uint32(len(t.groups))
		key := 0
		for range r.size() {
			key += r.number()
			if key >= len(t.keys) {
				r.fail("a key that is not in the list")
				return
			}
			g := group{key: uint32(key), items: span{from: uint32(len(t.items))}}
			for range r.size() {
				t.items = append(t.items, t.readItem(r))
			}
			g.items.to = uint32(len(t.items))
			t.groups = append(t.groups, g)
		}
		t.schemas[i].to = uint32(len(t.groups))
	}
}

func (t *table) readItem(r *source) item {
	element := Element(r.octet())
	switch {
	case element >= elementCount:
		r.fail("an unknown element")
		return item{}
	case element == Model:
		return item{element: element, value: r.below(len(t.models))}
	}
	return item{element: element, value: r.below(len(t.texts))}
}

func (t *table) readWMIs(r *source) {
	for range r.size() {
		code := r.text()
		w := wmi{kind: Type(r.octet()), makes: make([]uint32, r.size())}
		for i := range w.makes {
			w.makes[i] = r.below(len(t.texts))
		}
		w.uses = make([]use, r.size())
		for i := range w.uses {
			w.uses[i] = use{schema: r.below(len(t.schemas)), from: int32(r.below(latest)), to: int32(r.below(latest))}
		}
		t.wmis[code] = w
	}
}

// latest is beyond every model year that a data file may hold.
const latest = 10_000

// source reads a data file; after its first failure it gives zeros.
type source struct {
	rest string
	err  error
}

func (r *source) fail(why string) {
	if r.err == nil {
		r.err = fmt.Errorf("%w: %s", errDamaged, why)
	}
	r.rest = ""
}

func (r *source) octet() byte {
	if r.rest == "" {
		r.fail("it is cut short")
		return 0
	}
	b := r.rest[0]
	r.rest = r.rest[1:]
	return b
}

// number reads an unsigned varint of at most 31 bits.
func (r *source) number() int {
	value := uint64(0)
	for shift := 0; shift < 7*binary.MaxVarintLen32; shift += 7 {
		b := r.octet()
		value |= uint64(b&0x7f) << shift
		if b < 0x80 {
			if value >= 1<<31 {
				break
			}
			return int(value)
		}
	}
	r.fail("a number is too large")
	return 0
}

// size reads a count of things that take at least one byte each.
func (r *source) size() int {
	n := r.number()
	if n > len(r.rest) {
		r.fail("a count goes beyond the end")
		return 0
	}
	return n
}

func (r *source) below(limit int) uint32 {
	n := r.number()
	if n >= limit {
		r.fail("a reference to nothing")
		return 0
	}
	return uint32(n)
}

func (r *source) text() string {
	n := r.size()
	text := r.rest[:n]
	r.rest = r.rest[n:]
	return text
}

func (r *source) list() []string {
	texts := make([]string, r.size())
	for i := range texts {
		texts[i] = r.text()
	}
	return texts
}
