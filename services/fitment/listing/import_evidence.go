package listing

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// evidence adds the row's statements to the listing and returns which statement
// each became.
func (r *reader) evidence(l *fitmentv1.Listing) []statement {
	made := make([]statement, 0, len(statements))
	for _, s := range statements {
		value, support := r.value(s, l), r.row.Text(s.supportColumn())
		switch {
		case value == "" && support != "":
			r.fields.Add(s.supportColumn(), "says how "+s.column+" is known, but that is empty", "both or neither")
			continue
		case value == "", s.fills && support == "":
			continue
		}
		e := &fitmentv1.Evidence{Attribute: s.attribute, Value: value}
		r.support(s, support, l.GetYard(), e)
		if s.attribute == fitmentv1.Evidence_LOOP_RESISTANCE && r.describesReading() {
			e.Reading = r.reading(l, value)
			e.Reading.Stage = r.stage(s.column)
		}
		l.Evidence = append(l.Evidence, e)
		made = append(made, s)
	}
	r.loopColumns()
	return made
}

// value is a statement's value in its attribute's own form.
func (r *reader) value(s statement, l *fitmentv1.Listing) string {
	text := r.row.Text(s.column)
	switch forms[s.attribute] {
	case formYesNo:
		yes, stated := r.row.YesNo(s.column, r.fields)
		switch {
		case !stated:
			return ""
		case yes:
			return "yes"
		}
		return "no"
	case formKind:
		return word(text)
	case formPosition:
		if l.GetPosition().GetRow() == 0 || l.GetPosition().GetSide() == 0 {
			return ""
		}
		return fmt.Sprintf("%d %s", l.GetPosition().GetRow(), l.GetPosition().GetSide())
	case formDriveSide, formVIN:
		return strings.ToUpper(text)
	case formOhms:
		if strings.EqualFold(text, OverRange) {
			return OverRange
		}
		return text
	default:
		return text
	}
}

// support reads how a statement's value is known.
func (r *reader) support(s statement, text, yard string, e *fitmentv1.Evidence) {
	if !Support(text, yard, e) {
		level, _, _ := strings.Cut(text, ":")
		r.fields.Add(s.supportColumn(), strconv.Quote(strings.TrimSpace(level))+" is no level of evidence", supportHelp)
	}
}

// Support reads how a yard's statement is known, as people write it, into its level,
// how, by and date: "shown: label photo @2026-10-02" and the like. An empty text is
// a claim. It is false where the text names no level.
func Support(text, yard string, e *fitmentv1.Evidence) bool {
	rest, day, dated := strings.Cut(text, "@")
	if dated {
		e.Date = strings.TrimSpace(day)
	}
	level, how, _ := strings.Cut(rest, ":")
	e.How = strings.TrimSpace(how)
	switch strings.ToLower(strings.TrimSpace(level)) {
	case "", "claimed":
		e.Level, e.By = fitmentv1.Evidence_CLAIMED, yard
	case "shown":
		e.Level, e.By = fitmentv1.Evidence_SHOWN, yard
	case "confirmed":
		e.Level = fitmentv1.Evidence_CONFIRMED
		if at := strings.LastIndex(e.GetHow(), "by "); at == 0 || (at > 0 && e.GetHow()[at-1] == ' ') {
			e.By = strings.TrimSpace(e.GetHow()[at+len("by "):])
			e.How = strings.TrimSpace(e.GetHow()[:at])
		}
	default:
		return false
	}
	return true
}

// reading makes the reading behind a loop resistance.
func (r *reader) reading(l *fitmentv1.Listing, value string) *fitmentv1.Reading {
	reading := &fitmentv1.Reading{
		Kind: l.GetKind(), Position: l.GetPosition(), OverRange: value == OverRange,
		Method:       fitmentv1.Reading_Method(r.enum(colLoopMethod, fitmentv1.Reading_Method_value, fitmentv1.Reading_Method_name)),
		ShortingClip: fitmentv1.Reading_Clip(r.enum(colLoopClip, fitmentv1.Reading_Clip_value, fitmentv1.Reading_Clip_name)),
		LeadOhms:     r.optional(colLoopLeadOhms),

		DisplayLimitOhms:  r.optional(colLoopDisplayLimit),
		BatteryOffMinutes: r.optional(colLoopBatteryOffMinutes),
	}
	if !reading.GetOverRange() {
		if ohms, ok := parseOhms(value); ok {
			reading.Ohms = &ohms
		}
	}
	if r.row.Has(colLoopMeterPercent) || r.row.Has(colLoopMeterCounts) || r.row.Has(colLoopMeterResolution) {
		reading.Meter = &fitmentv1.Meter{
			PercentOfReading: r.row.Number(colLoopMeterPercent, r.fields),
			Counts:           r.row.Number(colLoopMeterCounts, r.fields),
			ResolutionOhms:   r.row.Number(colLoopMeterResolution, r.fields),
		}
	}
	return reading
}

func (r *reader) optional(column string) *float64 {
	if !r.row.Has(column) {
		return nil
	}
	value := r.row.Number(column, r.fields)
	return &value
}

// readingColumns are the columns that only describe a reading.
var readingColumns = []string{
	colLoopMethod, colLoopClip, colLoopLeadOhms, colLoopMeterPercent, colLoopMeterCounts, colLoopMeterResolution, colLoopStage,
	colLoopDisplayLimit, colLoopBatteryOffMinutes,
}

// describesReading tells whether the row says how its resistance was read; a
// bare number is a statement without a reading behind it.
func (r *reader) describesReading() bool { return slices.ContainsFunc(readingColumns, r.row.Has) }

// stage is the stage that a column's resistance is of. A second one tells that the
// first is of stage 1.
func (r *reader) stage(column string) int32 {
	switch {
	case column == colLoop2Ohms:
		return 2
	case r.row.Has(colLoop2Ohms):
		return 1
	default:
		return r.small(colLoopStage)
	}
}

// loopColumns refuses a description of a reading that has no value, and a second
// stage's value where the first has none or is of another stage: nothing that a
// row says is dropped in silence.
func (r *reader) loopColumns() {
	if r.row.Has(colLoop2Ohms) {
		if stage := r.row.Text(colLoopStage); stage != "" && stage != "1" {
			r.fields.Add(colLoopStage, "is not 1, but loop_2_ohms is stated beside it", "1 or nothing beside loop_2_ohms")
		}
		if !r.row.Has(colLoopOhms) {
			r.fields.Add(colLoop2Ohms, "is stated without loop_ohms", "loop_ohms of stage 1 beside it, or loop_ohms with loop_stage 2 instead")
		}
	}
	if r.row.Has(colLoopOhms) {
		return
	}
	for _, column := range readingColumns {
		if r.row.Has(column) {
			r.fields.Add(column, "describes a reading, but loop_ohms is empty", "loop_ohms, or nothing here")
		}
	}
}
