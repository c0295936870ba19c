package fault

import (
	"fmt"
	"slices"
	"strings"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/code"
)

// readCode is a code as far as it can be read.
type readCode struct {
	code    code.Code
	applied *code.Meaning
	stated  bool // the dialect is settled: by the user, or by the vehicle
	outside bool // it is about something that is no part in a loop
	report  *fitmentv1.CodeReport
}

// reader reads the codes of one request.
type reader struct {
	tables  *code.Tables
	dialect string // empty where not known
	whose   string // who says so, a clause
	choices map[code.Code]string
	drive   fitmentv1.Vehicle_DriveSide
}

// reader says how a request's codes are to be read.
func (k Knowledge) reader(req *fitmentv1.AssessFaultRequest) reader {
	r := reader{tables: k.tables(), choices: map[code.Code]string{}, drive: req.GetVehicle().GetDriveSide()}
	switch {
	case r.tables.Has(req.GetDialect()):
		r.dialect, r.whose = req.GetDialect(), "as you stated"
	case r.tables.Has(k.Dialect):
		r.dialect, r.whose = k.Dialect, "as the catalogue has it for this vehicle"
	}
	for _, choice := range req.GetCodeChoices() {
		if c, err := code.Parse(choice.GetCode()); err == nil {
			r.choices[c] = choice.GetMeaning()
		}
	}
	return r
}

// read reads one code. A meaning applies where the user chose it, where the
// dialect is known and gives it, or where the standard's own is the only one that
// we list; never otherwise.
func (r reader) read(text string) readCode {
	c, err := code.Parse(text)
	if err != nil {
		return readCode{report: &fitmentv1.CodeReport{Code: text, Note: "This is no trouble code that can be read."}}
	}
	one := readCode{code: c, report: &fitmentv1.CodeReport{Code: text, Hex: c.Hex()}}
	if c.HasStatus {
		one.report.Status = code.StatusBits(c.Status)
	}
	chosen := choice(r.tables, c, r.choices[c])
	meanings := r.tables.Meanings(c)
	if r.dialect != "" && chosen == nil {
		meanings = r.tables.In(r.dialect, c)
	}
	switch {
	case chosen != nil:
		one.applied, one.stated = chosen, true
		if !slices.ContainsFunc(meanings, func(m code.Meaning) bool { return m.ID == chosen.ID }) {
			meanings = append(meanings, *chosen)
		}
	case r.dialect != "" && len(meanings) == 1:
		one.applied, one.stated = &meanings[0], true
	case r.dialect == "" && len(meanings) == 1 && meanings[0].Dialect == code.Standard:
		one.applied = &meanings[0]
	}
	for _, m := range meanings {
		one.report.Meanings = append(one.report.Meanings, m.Proto(r.drive))
	}
	if one.applied != nil {
		one.report.Applied = one.applied.ID
		one.outside = isOutside(r.tables, c, one.applied)
	}
	r.note(&one, meanings, chosen != nil)
	return one
}

// choice finds the meaning of a code that an id names; nil where there is none.
func choice(tables *code.Tables, c code.Code, id string) *code.Meaning {
	dialect, _, _ := strings.Cut(id, ".")
	meanings := tables.In(dialect, c)
	at := slices.IndexFunc(meanings, func(m code.Meaning) bool { return m.ID == id })
	if at < 0 {
		return nil
	}
	return &meanings[at]
}

// isOutside tells whether a meaning of no kind is the standard's, which says that
// it is about a lamp, a switch or the like. What a maker's own number of no kind is
// about may be any loop.
func isOutside(tables *code.Tables, c code.Code, m *code.Meaning) bool {
	return len(m.Kinds) == 0 && slices.ContainsFunc(tables.In(code.Standard, c), func(s code.Meaning) bool { return s.Part == m.Part })
}

// note says what was done with a code and why, and reads its failure byte.
func (r reader) note(one *readCode, meanings []code.Meaning, chosen bool) {
	var notes []string
	switch {
	case chosen:
		notes = append(notes, "Read as you stated.")
	case one.stated:
		notes = append(notes, fmt.Sprintf("Read in the dialect %s, %s.", r.dialect, r.whose))
	case r.dialect != "" && len(meanings) == 0:
		notes = append(notes, fmt.Sprintf("Our tables of the dialect %s, %s, do not have this code. %s", r.dialect, r.whose, unlisted(one.code)))
	case one.applied != nil:
		notes = append(notes, "The only meaning that we list; makers have had others, so it counts for little until you state that it applies.")
	case len(meanings) == 0:
		notes = append(notes, unlisted(one.code))
	case len(meanings) == 1:
		notes = append(notes, "The only meaning that we list is one maker's own: it is not applied until you state that it holds for this vehicle.")
	default:
		notes = append(notes, fmt.Sprintf("%d meanings, depending on maker and year: none is applied until you state which one the vehicle's service data gives.", len(meanings)))
	}
	if slices.ContainsFunc(meanings, func(m code.Meaning) bool { return m.Deployed }) && (one.applied == nil || !one.stated) {
		notes = append(notes, "One meaning is that deployment was commanded; rule that out before anything else.")
	}
	if note := r.failure(one); note != "" {
		notes = append(notes, note)
	}
	if one.code.HasStatus && one.code.Status&1 == 0 {
		notes = append(notes, "By its status byte the fault was not there when the code was read: it may be an old one, or come and go.")
	}
	one.report.Note = strings.Join(notes, " ")
}

// failure reads the failure byte in the code's dialect. Where that is not known it
// says how each dialect reads it.
func (r reader) failure(one *readCode) string {
	if !one.code.HasFailure {
		return ""
	}
	dialect := r.dialect
	if one.stated {
		dialect = one.applied.Dialect
	}
	if dialect != "" {
		text, _, known := r.tables.Failure(dialect, one.code.Failure)
		if !known {
			return fmt.Sprintf("Failure byte %02X is none of those that we list for the dialect %s.", one.code.Failure, dialect)
		}
		one.report.Failure = text
		return ""
	}
	var readings []string
	for _, d := range r.tables.Dialects() {
		if text, _, known := r.tables.Failure(d.ID, one.code.Failure); known {
			readings = append(readings, fmt.Sprintf("%q in the dialect %s", text, d.ID))
		}
	}
	if len(readings) == 0 {
		return fmt.Sprintf("Failure byte %02X is none of those that we list.", one.code.Failure)
	}
	return fmt.Sprintf("Failure byte %02X is %s; which one holds here is not known until the dialect is stated.", one.code.Failure, strings.Join(readings, ", "))
}

// unlisted says who owns a code that the tables do not list (SAE J2012: first
// digit 0 for the standard, 1 and 2 for makers; 3 reserved in B, C and U; from
// memory).
func unlisted(c code.Code) string {
	switch c.Value >> 12 & 3 {
	case 0:
		return "We list no meaning of this code: see the vehicle's service data."
	case 3:
		if c.Value>>14 != 0 {
			return "The range of this code is reserved: read it again."
		}
	}
	return "A maker's own code: only the vehicle's service data says what it means."
}
