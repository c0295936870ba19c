package jurisdiction

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"path"
	"slices"
	"strings"
	"unicode/utf8"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// largest is the most that a pack's file may hold, in bytes.
const largest = 256 << 10

// document is a pack as its file says it. Kinds, attributes, types and parties are
// written by the names that the API has for them.
type document struct {
	Jurisdiction string               `json:"jurisdiction"`
	Place        string               `json:"place"`
	Version      string               `json:"version"`
	Within       string               `json:"within,omitempty"`
	Divided      bool                 `json:"divided,omitempty"`
	Also         []string             `json:"also,omitempty"`
	Provisions   []provisionDocument  `json:"provisions,omitempty"`
	Obligations  []obligationDocument `json:"obligations,omitempty"`
	Notes        []string             `json:"notes,omitempty"`
}

type provisionDocument struct {
	ID         string   `json:"id"`
	Sale       bool     `json:"sale,omitempty"`
	Kinds      []string `json:"kinds,omitempty"`
	Condition  string   `json:"condition"`
	Attribute  string   `json:"attribute,omitempty"`
	Value      string   `json:"value,omitempty"`
	MaxAgeDays int      `json:"max_age_days,omitempty"`
	Text       string   `json:"text"`
	Source     string   `json:"source"`
}

type obligationDocument struct {
	Type   string   `json:"type"`
	Party  string   `json:"party,omitempty"`
	Kinds  []string `json:"kinds,omitempty"`
	Used   bool     `json:"used_only,omitempty"`
	Text   string   `json:"text"`
	Words  []string `json:"words,omitempty"`
	Years  int32    `json:"years,omitempty"`
	Source string   `json:"source"`
}

// Parse reads a pack's file. It refuses what it does not know: a field, a kind or
// an attribute that is spelt wrongly would otherwise be law that is left out. The
// error names the field.
func Parse(file []byte) (*Pack, error) {
	switch {
	case len(file) > largest:
		return nil, fmt.Errorf("a pack's file of %d bytes; at most %d are read", len(file), largest)
	case !utf8.Valid(file):
		return nil, errors.New("a pack's file must be UTF-8")
	}
	if err := unambiguous(file); err != nil {
		return nil, err
	}
	decoder := json.NewDecoder(bytes.NewReader(file))
	decoder.DisallowUnknownFields()
	var doc document
	if err := decoder.Decode(&doc); err != nil {
		return nil, fmt.Errorf("read a pack: %w", err)
	}
	pack, err := doc.pack()
	if err != nil {
		return nil, err
	}
	if err := pack.check(); err != nil {
		return nil, err
	}
	return pack, nil
}

// unambiguous refuses a file that is not exactly one JSON value, that says a field
// twice, or that spells one with other letters than small ones: the decoder would
// take the last of the two, and any case, without a word.
func unambiguous(file []byte) error {
	decoder := json.NewDecoder(bytes.NewReader(file))
	if err := distinct(decoder, 0); err != nil {
		return fmt.Errorf("read a pack: %w", err)
	}
	if _, err := decoder.Token(); !errors.Is(err, io.EOF) {
		return errors.New("read a pack: there is something after the end of the object")
	}
	return nil
}

// deepest is how far values may stand inside each other; a pack needs four.
const deepest = 8

// distinct reads one value and checks the fields of every object in it.
func distinct(decoder *json.Decoder, depth int) error {
	token, err := decoder.Token()
	if err != nil {
		return err
	}
	opening, isDelim := token.(json.Delim)
	if token == nil {
		return errors.New("null says nothing; leave the field out")
	}
	if !isDelim {
		return nil
	}
	if depth == deepest {
		return errors.New("values stand too deep inside each other")
	}
	seen := make(map[string]bool)
	for decoder.More() {
		if opening == '{' {
			if err := field(decoder, seen); err != nil {
				return err
			}
		}
		if err := distinct(decoder, depth+1); err != nil {
			return err
		}
	}
	_, err = decoder.Token() // the closing bracket
	return err
}

// field reads the name of a field that has not been seen yet.
func field(decoder *json.Decoder, seen map[string]bool) error {
	token, err := decoder.Token()
	if err != nil {
		return err
	}
	name, ok := token.(string)
	odd := func(r rune) bool { return r != '_' && (r < 'a' || r > 'z') }
	switch {
	case !ok || strings.ContainsFunc(name, odd):
		return fmt.Errorf("unknown field %.60q", name)
	case seen[name]:
		return fmt.Errorf("field %q is there twice", name)
	}
	seen[name] = true
	return nil
}

// pack turns what the file says into a pack. Names are looked up here; everything
// else is check's.
func (d *document) pack() (*Pack, error) {
	pack := &Pack{
		Jurisdiction: d.Jurisdiction, Place: d.Place, Version: d.Version, Within: d.Within,
		Divided: d.Divided, Also: d.Also, Notes: d.Notes,
	}
	for i, p := range d.Provisions {
		provision, err := p.provision()
		if err != nil {
			return nil, fmt.Errorf("provisions[%d].%w", i, err)
		}
		pack.Provisions = append(pack.Provisions, provision)
	}
	for i, o := range d.Obligations {
		kind, err := value("type", o.Type, fitmentv1.Obligation_Type_value)
		if err != nil {
			return nil, fmt.Errorf("obligations[%d].%w", i, err)
		}
		party := int32(0)
		if o.Party != "" {
			if party, err = value("party", o.Party, fitmentv1.Obligation_Party_value); err != nil {
				return nil, fmt.Errorf("obligations[%d].%w", i, err)
			}
		}
		kinds, err := readKinds(o.Kinds)
		if err != nil {
			return nil, fmt.Errorf("obligations[%d].%w", i, err)
		}
		pack.Obligations = append(pack.Obligations, Obligation{Kinds: kinds, UsedOnly: o.Used, Obligation: &fitmentv1.Obligation{
			Jurisdiction: d.Jurisdiction, Type: fitmentv1.Obligation_Type(kind), Party: fitmentv1.Obligation_Party(party),
			Text: o.Text, Words: o.Words, Years: o.Years, Source: o.Source,
		}})
	}
	return pack, nil
}

func (p *provisionDocument) provision() (Provision, error) {
	provision := Provision{
		ID: p.ID, Sale: p.Sale, Condition: Condition(p.Condition), Value: p.Value,
		MaxAgeDays: p.MaxAgeDays, Text: p.Text, Source: p.Source,
	}
	var err error
	if provision.Kinds, err = readKinds(p.Kinds); err != nil {
		return Provision{}, err
	}
	if p.Attribute != "" {
		attribute, err := value("attribute", p.Attribute, fitmentv1.Evidence_Attribute_value)
		if err != nil {
			return Provision{}, err
		}
		provision.Attribute = fitmentv1.Evidence_Attribute(attribute)
	}
	return provision, nil
}

// readKinds looks up kinds of part.
func readKinds(names []string) ([]fitmentv1.Part_Kind, error) {
	var kinds []fitmentv1.Part_Kind
	for i, name := range names {
		kind, err := value(fmt.Sprintf("kinds[%d]", i), name, fitmentv1.Part_Kind_value)
		if err != nil {
			return nil, err
		}
		kinds = append(kinds, fitmentv1.Part_Kind(kind))
	}
	return kinds, nil
}

// kindNames writes kinds as readKinds reads them.
func kindNames(kinds []fitmentv1.Part_Kind) []string {
	names := make([]string, 0, len(kinds))
	for _, kind := range kinds {
		names = append(names, kind.String())
	}
	return names
}

// value looks up a name of an enum; the unspecified zero is none.
func value(field, name string, values map[string]int32) (int32, error) {
	number := values[name]
	if number == 0 {
		names := slices.DeleteFunc(slices.Sorted(maps.Keys(values)), func(n string) bool { return values[n] == 0 })
		return 0, fmt.Errorf("%s: %.60q is none of %s", field, name, strings.Join(names, ", "))
	}
	return number, nil
}

// Bytes writes the pack as Parse reads it.
func (p *Pack) Bytes() []byte {
	doc := document{
		Jurisdiction: p.Jurisdiction, Place: p.Place, Version: p.Version, Within: p.Within,
		Divided: p.Divided, Also: p.Also, Notes: p.Notes,
	}
	for _, v := range p.Provisions {
		written := provisionDocument{
			ID: v.ID, Sale: v.Sale, Condition: string(v.Condition), Value: v.Value,
			MaxAgeDays: v.MaxAgeDays, Text: v.Text, Source: v.Source, Kinds: kindNames(v.Kinds),
		}
		if v.Attribute != 0 {
			written.Attribute = v.Attribute.String()
		}
		doc.Provisions = append(doc.Provisions, written)
	}
	for _, o := range p.Obligations {
		written := obligationDocument{
			Type: o.GetType().String(), Kinds: kindNames(o.Kinds), Used: o.UsedOnly,
			Text: o.GetText(), Words: o.GetWords(), Years: o.GetYears(), Source: o.GetSource(),
		}
		if o.GetParty() != 0 {
			written.Party = o.GetParty().String()
		}
		doc.Obligations = append(doc.Obligations, written)
	}
	var file bytes.Buffer
	encoder := json.NewEncoder(&file)
	encoder.SetEscapeHTML(false)
	encoder.SetIndent("", "  ")
	if err := encoder.Encode(doc); err != nil { // strings, numbers and booleans always encode
		return nil
	}
	return file.Bytes()
}

// Load reads every *.json of a folder and the folders in it, in order of path. The
// error names the file. Other files are left alone.
func Load(folder fs.FS) ([]*Pack, error) {
	var packs []*Pack
	err := fs.WalkDir(folder, ".", func(name string, entry fs.DirEntry, err error) error {
		if err != nil || entry.IsDir() || path.Ext(name) != ".json" {
			return err
		}
		file, err := readFile(folder, name)
		if err != nil {
			return err
		}
		pack, err := Parse(file)
		if err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
		packs = append(packs, pack)
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("load packs: %w", err)
	}
	return packs, nil
}

// readFile reads a file, but not without end: one byte over the limit is enough
// for Parse to refuse it.
func readFile(folder fs.FS, name string) (content []byte, err error) {
	file, err := folder.Open(name)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, file.Close()) }()
	return io.ReadAll(io.LimitReader(file, largest+1))
}
