package catalogue

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/names"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/imports"
	"beltwright.example/services/store"
)

// Where the catalogue's records live: one catalogue for all, kept by an
// administrator.
const (
	// Tenant owns the catalogue's records.
	Tenant = "common"
	// KindPart, KindSupersession, KindRecall and KindVehicleData are the kinds of
	// record, each a marshalled message of that name with its resource name in it.
	KindPart         = "part"
	KindSupersession = "supersession"
	KindRecall       = "recall"
	KindVehicleData  = "vehicle-data"
)

// Columns that several files or places name.
const (
	colMaker    = "maker"
	colKind     = "kind"
	colMake     = "make"
	colModel    = "model"
	colYearFrom = "year_from"
	colYearTo   = "year_to"
	colMarket   = "market"
	colLowOhms  = "low_ohms"
	colHighOhms = "high_ohms"

	colBuiltFrom = "built_from"
	colBuiltTo   = "built_to"
	colSource    = "source"
)

// encoding makes equal records equal bytes.
var encoding = proto.MarshalOptions{Deterministic: true}

// replace makes the Merge of a record that a row states whole.
func replace(record proto.Message) func([]byte) ([]byte, bool, error) {
	return func(old []byte) ([]byte, bool, error) {
		value, err := encoding.Marshal(record)
		if err != nil {
			return nil, false, fmt.Errorf("write the record: %w", err)
		}
		return value, string(value) == string(old), nil
	}
}

// sameMaker refuses a row whose record is stored for another maker: names of
// records hold the letters A-Z and digits of a maker's name only, so two makers
// may share them.
func sameMaker(old []byte, stored, stated string) error {
	if old == nil || Fold(stored) == Fold(stated) {
		return nil
	}
	return &imports.Problem{
		Field:    colMaker,
		Text:     fmt.Sprintf("%.60q would be stored under the name of %.60q, which is another maker", stated, stored),
		Expected: "a spelling of the maker that differs from the other's in the letters A-Z and digits too",
	}
}

// mergeSupersession makes the Merge of a supersession, which a row states whole.
func mergeSupersession(s *fitmentv1.Supersession) func([]byte) ([]byte, bool, error) {
	whole := replace(s)
	return func(old []byte) ([]byte, bool, error) {
		stored := &fitmentv1.Supersession{}
		if err := proto.Unmarshal(old, stored); err != nil {
			return nil, false, fmt.Errorf("read the stored supersession: %w", err)
		}
		if problem := sameMaker(old, stored.GetMaker(), s.GetMaker()); problem != nil {
			return nil, false, problem
		}
		return whole(old)
	}
}

// small reads a whole number that must fit 32 bits; the record's validation
// checks the range that makes sense.
func small(row imports.Row, column string, fields *check.Fields) int32 {
	value := row.Int(column, fields)
	if value < math.MinInt32 || value > math.MaxInt32 {
		fields.Int(column, value, math.MinInt32, math.MaxInt32)
		return 0
	}
	return int32(value)
}

// enum reads a name of an enum, in any case, words joined by space, hyphen or
// underscore; empty is 0.
func enum(row imports.Row, column string, values map[string]int32, fields *check.Fields) int32 {
	text := row.Text(column)
	if text == "" {
		return 0
	}
	value, ok := values[enumName(text)]
	if !ok || value == 0 {
		fields.Add(column, fmt.Sprintf("%.60q is not known", text), "one of "+enumNames(values))
		return 0
	}
	return value
}

// enumName writes a name of an enum as it stands in the enum.
func enumName(text string) string {
	return strings.ToUpper(strings.NewReplacer(" ", "_", "-", "_").Replace(text))
}

func enumNames(values map[string]int32) string {
	ordered := make([]string, 0, len(values))
	for name, value := range values {
		if value != 0 {
			ordered = append(ordered, name)
		}
	}
	slices.SortFunc(ordered, func(a, b string) int { return int(values[a] - values[b]) })
	return strings.Join(ordered, ", ")
}

// positions reads a list such as "1 LEFT; 1 RIGHT".
func positions(row imports.Row, column string, fields *check.Fields) []*fitmentv1.Position {
	text := row.Text(column)
	if text == "" {
		return nil
	}
	var list []*fitmentv1.Position
	for one := range strings.SplitSeq(text, ";") {
		position, err := names.ParsePosition(one)
		if err != nil {
			fields.Add(column, fmt.Sprintf("%.60q is no position", strings.TrimSpace(one)), names.PositionForm+"; several are joined by semicolons")
			return nil
		}
		list = append(list, position)
	}
	return list
}

// SupersessionsTarget reads supersessions from CSV, one a row. A row is the same
// record as before where maker, both numbers and the condition are the same.
func SupersessionsTarget() imports.Target {
	return imports.Target{
		Columns: []imports.Column{
			{Name: colMaker, Required: true, Help: "maker of both parts"},
			{Name: "old_number", Required: true, Help: "number that is replaced"},
			{Name: "new_number", Required: true, Help: "number that replaces it; the other way round is another row"},
			{Name: colYearFrom, Help: "first model year for which it holds; empty for any"},
			{Name: colYearTo, Help: "last model year for which it holds; empty for any"},
			{Name: colMarket, Help: "market for which it holds, two letters (US); empty for any"},
			{Name: colBuiltFrom, Help: "first build date of the vehicle for which it holds, YYYY-MM-DD; empty for any"},
			{Name: colBuiltTo, Help: "last build date for which it holds, YYYY-MM-DD; empty for any"},
			{Name: "plant", Help: "plant for which it holds; empty for any"},
			{Name: "options", Help: `option codes that the vehicle must all have, joined by semicolons ("AK5; UA6"); empty for any`},
			{Name: "type", Help: "REPLACES: the old number is replaced; SUBSTITUTE: the new one is allowed beside it. Both mean that the new one may be fitted; empty is REPLACES"},
			{Name: colSource, Help: "where this is published"},
		},
		Map: mapSupersession,
	}
}

func mapSupersession(row imports.Row, _ string, fields *check.Fields) (imports.Item, bool) {
	s := &fitmentv1.Supersession{
		Maker: row.Text(colMaker), OldNumber: row.Text("old_number"), NewNumber: row.Text("new_number"),
		YearFrom: small(row, colYearFrom, fields), YearTo: small(row, colYearTo, fields),
		Market: strings.ToUpper(row.Text(colMarket)), Source: row.Text(colSource),
		BuiltFrom: row.Text(colBuiltFrom), BuiltTo: row.Text(colBuiltTo), Plant: row.Text("plant"), Options: options(row),
		Type: fitmentv1.Supersession_Type(enum(row, "type", fitmentv1.Supersession_Type_value, fields)),
	}
	inColumns(fields, nil, func(f *check.Fields) { ValidateSupersession(s, f) })
	if !fields.OK() {
		return imports.Item{}, false
	}
	id, err := supersessionID(s)
	if err != nil {
		fields.Add(colMaker, err.Error(), ErrMaker.Error())
		return imports.Item{}, false
	}
	s.Name = "supersessions/" + id
	return imports.Item{Key: store.Key{Tenant: Tenant, Kind: KindSupersession, ID: id}, Name: s.GetName(), Merge: mergeSupersession(s)}, true
}

// supersessionID names a supersession by all that makes it another one.
func supersessionID(s *fitmentv1.Supersession) (string, error) {
	slug, err := MakerSlug(s.GetMaker())
	if err != nil {
		return "", err
	}
	older, err := NumberKey(s.GetOldNumber())
	if err != nil {
		return "", err
	}
	newer, err := NumberKey(s.GetNewNumber())
	if err != nil {
		return "", err
	}
	id := slug + "." + older + "." + newer
	if s.GetYearFrom() != 0 || s.GetYearTo() != 0 {
		id += fmt.Sprintf(".%d-%d", s.GetYearFrom(), s.GetYearTo())
	}
	if s.GetMarket() != "" {
		id += "." + s.GetMarket()
	}
	if s.GetBuiltFrom() != "" || s.GetBuiltTo() != "" || s.GetPlant() != "" || len(s.GetOptions()) > 0 {
		codes := make([]string, 0, len(s.GetOptions()))
		for _, option := range s.GetOptions() {
			codes = append(codes, Fold(option))
		}
		slices.Sort(codes)
		limits := append([]string{s.GetBuiltFrom(), s.GetBuiltTo(), Fold(s.GetPlant())}, slices.Compact(codes)...)
		digest := sha256.Sum256([]byte(strings.Join(limits, "\x00")))
		id += "." + hex.EncodeToString(digest[:8])
	}
	return id, nil
}

// options reads a list of option codes such as "AK5; UA6". An empty one between
// two semicolons stays, for validation to refuse.
func options(row imports.Row) []string {
	text := row.Text("options")
	if text == "" {
		return nil
	}
	list := strings.Split(text, ";")
	for i := range list {
		list[i] = strings.TrimSpace(list[i])
	}
	return list
}

// RecallsTarget reads recall notices and coverage statements from CSV. A notice
// that covers several parts or vehicles has a row for each. A row is the same
// record as before where type, number and what it covers are the same.
func RecallsTarget() imports.Target {
	return imports.Target{
		Columns: []imports.Column{
			{Name: "type", Required: true, Help: "NOTICE: these parts are under recall. COVERAGE: all notices for these parts issued up to as_of are loaded"},
			{Name: "number", Required: true, Help: "the notice's own number, or the coverage statement's"},
			{Name: "issued", Help: "day of issue of a notice, YYYY-MM-DD"},
			{Name: "as_of", Help: "day up to which a coverage statement is complete, YYYY-MM-DD"},
			{Name: "part_maker", Required: true, Help: "maker of the parts"},
			{Name: "part_number", Help: "part number; empty for every number of the maker and kind"},
			{Name: colKind, Help: "kind of part; empty for every kind"},
			{Name: colMake, Help: "make of the vehicle; empty for every make"},
			{Name: colModel, Help: "model of the vehicle; empty for every model"},
			{Name: colYearFrom, Help: "first model year; empty for any"},
			{Name: colYearTo, Help: "last model year; empty for any"},
			{Name: "summary", Help: "what is wrong and what the remedy is"},
			{Name: colSource, Help: "where it is published"},
		},
		Map: mapRecall,
	}
}

func mapRecall(row imports.Row, _ string, fields *check.Fields) (imports.Item, bool) {
	r := &fitmentv1.Recall{
		Type:   fitmentv1.Recall_Type(enum(row, "type", fitmentv1.Recall_Type_value, fields)),
		Number: row.Text("number"), Issued: row.Text("issued"), AsOf: row.Text("as_of"),
		PartMaker: row.Text("part_maker"), PartNumber: row.Text("part_number"),
		Kind: fitmentv1.Part_Kind(enum(row, colKind, fitmentv1.Part_Kind_value, fields)),
		Make: row.Text(colMake), Model: row.Text(colModel),
		YearFrom: small(row, colYearFrom, fields), YearTo: small(row, colYearTo, fields),
		Summary: row.Text("summary"), Source: row.Text(colSource),
	}
	if fields.OK() {
		ValidateRecall(r, fields)
	}
	if !fields.OK() {
		return imports.Item{}, false
	}
	id := recallID(r)
	r.Name = "recalls/" + id
	return imports.Item{Key: store.Key{Tenant: Tenant, Kind: KindRecall, ID: id}, Name: r.GetName(), Merge: replace(r)}, true
}

// recallID names a record by its number and a digest of all that makes it
// another one.
func recallID(r *fitmentv1.Recall) string {
	number, _ := NumberKey(r.GetPartNumber()) // empty where it names none
	scope := strings.Join([]string{
		r.GetType().String(), Fold(r.GetNumber()), Fold(r.GetPartMaker()), number, r.GetKind().String(),
		Fold(r.GetMake()), Fold(r.GetModel()), strconv.Itoa(int(r.GetYearFrom())), strconv.Itoa(int(r.GetYearTo())),
	}, "\x00")
	digest := sha256.Sum256([]byte(scope))
	slug, err := MakerSlug(r.GetNumber())
	if err != nil {
		slug = "unnamed"
	}
	return strings.ToLower(r.GetType().String()) + "." + slug + "." + hex.EncodeToString(digest[:8])
}
