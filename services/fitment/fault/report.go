package fault

import (
	"fmt"
	"strings"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// readCode is a code as far as it can be read.
type readCode struct {
	code    Code
	applied *meaning
	stated  bool // the user chose the meaning
	report  *fitmentv1.CodeReport
}

// readCodes reads every code. A meaning applies where the user chose it, or
// where the standard's own is the only one that we list; never otherwise.
func readCodes(req *fitmentv1.AssessFaultRequest) []readCode {
	choices := map[Code]string{}
	for _, choice := range req.GetCodeChoices() {
		if c, err := ParseCode(choice.GetCode()); err == nil {
			choices[c] = choice.GetMeaning()
		}
	}
	read := make([]readCode, 0, len(req.GetCodes()))
	for _, text := range req.GetCodes() {
		read = append(read, readOne(text, choices, req.GetVehicle().GetDriveSide()))
	}
	return read
}

func readOne(text string, choices map[Code]string, drive fitmentv1.Vehicle_DriveSide) readCode {
	c, err := ParseCode(text)
	if err != nil {
		return readCode{report: &fitmentv1.CodeReport{Code: text, Note: "This is no trouble code that can be read."}}
	}
	r := readCode{code: c, report: &fitmentv1.CodeReport{Code: text, Hex: c.Hex()}}
	meanings := meaningsOf(c)
	for i := range meanings {
		m := &meanings[i]
		r.report.Meanings = append(r.report.Meanings, m.message(c, drive))
		if id, chosen := choices[c]; chosen && id == m.id(c) {
			r.applied, r.stated = m, true
		}
	}
	if r.applied == nil && len(meanings) == 1 && meanings[0].dialect == standard {
		r.applied = &meanings[0]
	}
	if r.applied != nil {
		r.report.Applied = r.applied.id(c)
	}
	r.report.Note = codeNote(r, meanings)
	return r
}

// codeNote says what was done with a code and why.
func codeNote(r readCode, meanings []meaning) string {
	var notes []string
	switch {
	case r.stated:
		notes = append(notes, "Read as you stated.")
	case r.applied != nil:
		notes = append(notes, "The only meaning that we list; makers have had others, so it counts for little until you state that it applies.")
	case len(meanings) == 0:
		notes = append(notes, unlisted(r.code))
	case len(meanings) == 1:
		notes = append(notes, "The only meaning that we list is one maker's own: it is not applied until you state that it holds for this vehicle.")
	default:
		notes = append(notes, fmt.Sprintf("%d meanings, depending on maker and year: none is applied until you state which one the vehicle's service data gives.", len(meanings)))
	}
	for _, m := range meanings {
		if m.deployed {
			notes = append(notes, "One meaning is that deployment was commanded; rule that out before anything else.")
			break
		}
	}
	if note := failureNote(r.code); note != "" {
		notes = append(notes, note)
	}
	return strings.Join(notes, " ")
}

// unlisted says who owns a code that the tables do not list (SAE J2012: first
// digit 0 for the standard, 1 and 2 for makers; 3 reserved in B, C and U; from
// memory).
func unlisted(c Code) string {
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
