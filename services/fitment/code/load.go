package code

import (
	"crypto/sha256"
	"encoding/csv"
	hexform "encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"slices"
	"strconv"
	"strings"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// Day is the date of the tables that come with the program.
const Day = "2026-11-25"

// colSource is the column that says where a row is published.
const colSource = "source"

// The files of a set of tables and their columns.
var (
	dialectColumns = []string{"id", "like", "text", colSource}
	meaningColumns = []string{"dialect", "code", "kinds", "row", "side", "part", "condition", "deployed", colSource}
	failureColumns = []string{"dialect", "byte", "text", "condition", colSource}
)

// Load reads dialects.csv, meanings.csv and failures.csv from a folder. Whatever
// is misspelt, missing or said twice is an error that names file and row.
func Load(folder fs.FS) (*Tables, error) {
	digest := sha256.New()
	t := &Tables{meanings: map[string]map[uint16]Meaning{}, failures: map[string]map[byte]failure{}}
	for _, file := range []struct {
		name    string
		columns []string
		take    func(row map[string]string) error
	}{
		{"dialects.csv", dialectColumns, t.takeDialect},
		{"meanings.csv", meaningColumns, t.takeMeaning},
		{"failures.csv", failureColumns, t.takeFailure},
	} {
		raw, err := fs.ReadFile(folder, file.name)
		if err != nil {
			return nil, fmt.Errorf("tables of trouble codes: %w", err)
		}
		digest.Write(raw) // a hash's Write never fails
		if err := eachRow(strings.NewReader(string(raw)), file.columns, file.take); err != nil {
			return nil, fmt.Errorf("%s: %w", file.name, err)
		}
	}
	if !t.Has(Standard) {
		return nil, fmt.Errorf("dialects.csv: has no dialect %s", Standard)
	}
	t.version = Day + " " + hexform.EncodeToString(digest.Sum(nil))[:12]
	return t, nil
}

// eachRow hands a file's rows on by column name.
func eachRow(file io.Reader, columns []string, take func(row map[string]string) error) error {
	r := csv.NewReader(file)
	r.FieldsPerRecord = len(columns)
	header, err := r.Read()
	if err != nil {
		return fmt.Errorf("row 1: %w", err)
	}
	if !slices.Equal(header, columns) {
		return fmt.Errorf("row 1: the columns are %s; expected %s", strings.Join(header, ", "), strings.Join(columns, ", "))
	}
	for {
		record, err := r.Read()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		row := make(map[string]string, len(columns))
		for i, column := range columns {
			row[column] = strings.TrimSpace(record[i])
		}
		if err := take(row); err != nil {
			line, _ := r.FieldPos(0)
			return fmt.Errorf("line %d: %w", line, err)
		}
	}
}

func (t *Tables) takeDialect(row map[string]string) error {
	d := Dialect{ID: row["id"], Text: row["text"], Source: row[colSource], like: row["like"]}
	switch {
	case d.ID == "" || d.Text == "" || d.Source == "":
		return errors.New("id, text and source are all needed")
	case strings.ContainsFunc(d.ID, func(r rune) bool { return (r < 'a' || r > 'z') && (r < '0' || r > '9') && r != '-' }):
		return fmt.Errorf("id %q has other characters than a-z, 0-9 and -", d.ID)
	case t.Has(d.ID):
		return fmt.Errorf("dialect %s stands there twice", d.ID)
	}
	if d.like != "" {
		model := t.find(d.like)
		if model == nil || model.like != "" {
			return fmt.Errorf("like %q is no dialect above with numbers of its own", d.like)
		}
	}
	t.dialects = append(t.dialects, d)
	t.meanings[d.ID], t.failures[d.ID] = map[uint16]Meaning{}, map[byte]failure{}
	return nil
}

func (t *Tables) takeMeaning(row map[string]string) error {
	dialect := t.find(row["dialect"])
	c, err := Parse(row["code"])
	switch {
	case dialect == nil:
		return fmt.Errorf("dialect %q is not in dialects.csv", row["dialect"])
	case dialect.like != "":
		return fmt.Errorf("dialect %s has the numbers of %s and none of its own", dialect.ID, dialect.like)
	case err != nil || c.String() != row["code"] || c.HasFailure:
		return fmt.Errorf("code %q is no code without failure byte", row["code"])
	case row["part"] == "" || row[colSource] == "":
		return errors.New("part and source are both needed")
	case !slices.Contains(Conditions(), row["condition"]):
		return fmt.Errorf("condition %q is none of %s", row["condition"], strings.Join(Conditions()[1:], ", "))
	case row["deployed"] != "" && row["deployed"] != "yes":
		return fmt.Errorf("deployed is %q; expected yes or nothing", row["deployed"])
	}
	if _, twice := t.meanings[dialect.ID][c.Value]; twice {
		return fmt.Errorf("%s stands twice in dialect %s", c, dialect.ID)
	}
	m := Meaning{Part: row["part"], Condition: row["condition"], Source: row[colSource], Deployed: row["deployed"] == "yes"}
	if m.row, m.side, err = parseSeat(row["row"], row["side"]); err != nil {
		return err
	}
	if m.Kinds, err = parseKinds(row["kinds"]); err != nil {
		return err
	}
	t.meanings[dialect.ID][c.Value] = m
	dialect.Codes++
	return nil
}

func parseSeat(row, side string) (int32, seat, error) {
	n, err := strconv.ParseUint("0"+row, 10, 8)
	if err != nil || n > 9 {
		return 0, "", fmt.Errorf("row %q is no row from 1 to 9", row)
	}
	if !slices.Contains([]seat{anywhere, onLeft, onRight, inCentre, driver, passenger}, seat(side)) {
		return 0, "", fmt.Errorf("side %q is none of left, right, centre, driver, passenger", side)
	}
	return int32(n), seat(side), nil
}

func parseKinds(text string) ([]fitmentv1.Part_Kind, error) {
	words := strings.Fields(text)
	kinds := make([]fitmentv1.Part_Kind, 0, len(words))
	for _, word := range words {
		kind := fitmentv1.Part_Kind(fitmentv1.Part_Kind_value[word])
		if kind == fitmentv1.Part_KIND_UNSPECIFIED || slices.Contains(kinds, kind) {
			return nil, fmt.Errorf("kinds: %q is no kind of part, or stands there twice", word)
		}
		kinds = append(kinds, kind)
	}
	return kinds, nil
}

func (t *Tables) takeFailure(row map[string]string) error {
	b, ok := parseByte(row["byte"])
	table := t.failures[row["dialect"]]
	switch {
	case table == nil:
		return fmt.Errorf("dialect %q is not in dialects.csv", row["dialect"])
	case !ok:
		return fmt.Errorf("byte %q is not two hexadecimal digits", row["byte"])
	case row["text"] == "" || row[colSource] == "":
		return errors.New("text and source are both needed")
	case !slices.Contains(Conditions(), row["condition"]):
		return fmt.Errorf("condition %q is none of %s", row["condition"], strings.Join(Conditions()[1:], ", "))
	}
	if _, twice := table[b]; twice {
		return fmt.Errorf("byte %s stands twice in dialect %s", row["byte"], row["dialect"])
	}
	table[b] = failure{text: row["text"], condition: row["condition"]}
	return nil
}
