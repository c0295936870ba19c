package vin

import (
	"fmt"
	"strings"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/vindata"
)

// Decode says what a VIN says. The request must have passed Validate; one that
// has not gets an answer that is not valid and says nothing else.
func Decode(req *fitmentv1.DecodeVinRequest) *fitmentv1.DecodeVinResponse {
	number := strings.Map(capital, req.GetVin())
	if !wellFormed(number) {
		return &fitmentv1.DecodeVinResponse{Vin: number, Notes: []string{"This is no VIN: 17 letters and digits without I, O and Q are needed."}}
	}
	market := strings.ToUpper(req.GetMarket())
	rule := applies(market)
	digit := &fitmentv1.CheckDigit{Expected: checkDigit(number), Actual: number[checkPosition-1 : checkPosition], Applies: rule}
	right := digit.GetExpected() == digit.GetActual()
	// A number that fails the check is no witness for the rest of the rule,
	// unless the market says that the rule holds.
	trusted := rule == fitmentv1.Finding_YES || (rule == fitmentv1.Finding_UNKNOWN && right)
	class := req.GetVehicleClass()
	y := readYears(number, class, trusted)
	// The open data is about vehicles for this market, and a number with a slip
	// in it is about another vehicle, if any.
	useData := trusted && right
	if useData && class == fitmentv1.Vehicle_VEHICLE_CLASS_UNSPECIFIED && len(y.candidates) > 1 {
		y, class = settleByData(number, y)
	}
	serialNote := checkSerial(number, req.GetVehicleClass())

	answer := &fitmentv1.DecodeVinResponse{
		Vin:        number,
		Valid:      rule != fitmentv1.Finding_YES || (right && len(y.candidates) > 0 && serialNote == ""),
		CheckDigit: digit,
		ModelYears: y.candidates,
		Vehicle:    vehicle(req, number, market, rule, y),
		Notes:      append([]string{digitNote(digit, right, market)}, y.notes...),
	}
	answer.Notes = append(answer.Notes, otherNotes(number, rule, serialNote, y)...)
	answer.Vehicle.VehicleClass = class
	if !useData {
		return answer
	}
	if record, known := filed(number, y.candidates); known {
		used, notes := addFiled(answer.GetVehicle(), &record)
		answer.Notes = append(answer.Notes, notes...)
		if used {
			answer.VinData = vindata.Version()
		}
	}
	return answer
}

func wellFormed(number string) bool {
	for _, c := range number {
		if value(c) < 0 {
			return false
		}
	}
	return len(number) == Length
}

// vehicle fills in what was stated and what the characters settle by rule.
func vehicle(req *fitmentv1.DecodeVinRequest, number, market string, rule fitmentv1.Finding_Answer, y years) *fitmentv1.Vehicle {
	v := &fitmentv1.Vehicle{
		Vin:    number,
		Make:   req.GetMake(),
		Model:  req.GetModel(),
		Market: market,
	}
	if rule == fitmentv1.Finding_NO {
		return v
	}
	v.Plant = number[plantPosition-1 : plantPosition]
	if len(y.candidates) == 1 {
		v.ModelYear = y.candidates[0]
	}
	return v
}

func digitNote(digit *fitmentv1.CheckDigit, right bool, market string) string {
	wrong := fmt.Sprintf("Position 9 is %s where the rule of 49 CFR 565.15 gives %s", digit.GetActual(), digit.GetExpected())
	switch {
	case right && digit.GetApplies() == fitmentv1.Finding_NO:
		return "The check digit would be right, but it does not apply to vehicles for this market (" + market + ")."
	case right:
		return "The check digit is right. That catches most slips, not all: characters of equal value, such as A, J and 1, can be taken for each other unseen."
	case digit.GetApplies() == fitmentv1.Finding_YES:
		return wrong + ": at least one character is wrong."
	case digit.GetApplies() == fitmentv1.Finding_NO:
		return "The check digit does not apply to vehicles for this market (" + market + "); " + wrong + ", which proves nothing."
	case market != "":
		return wrong + ". We have no source on whether the rule applies to vehicles for this market (" + market + ")."
	}
	return wrong + ". That is a mistake only if the vehicle was built for a market with that rule; state the market. The first character does not tell."
}

// checkSerial returns a note where the last characters are not the digits that
// 49 CFR 565.15(d) wants (from memory): the last five for light vehicles, the
// last four for all others, and only the last three where positions 12 to 14
// belong to a small maker's identifier.
func checkSerial(number string, class fitmentv1.Vehicle_VehicleClass) string {
	digits := 4
	switch {
	case number[2] == '9':
		digits = 3
	case class == fitmentv1.Vehicle_PASSENGER_CAR || class == fitmentv1.Vehicle_LIGHT_TRUCK:
		digits = 5
	}
	for i := Length - digits; i < Length; i++ {
		if !isDigit(number[i]) {
			return fmt.Sprintf("Position %d is %c where the rule of 49 CFR 565.15(d) wants a digit.", i+1, number[i])
		}
	}
	return ""
}

func otherNotes(number string, rule fitmentv1.Finding_Answer, serialNote string, y years) []string {
	var notes []string
	if number[2] == '9' {
		notes = append(notes, fmt.Sprintf("Position 3 is 9: a maker of few vehicles, named by positions 1 to 3 together with 12 to 14 (%s).", number[11:14]))
	}
	if serialNote != "" {
		notes = append(notes, serialNote)
	}
	switch {
	case rule == fitmentv1.Finding_NO:
		notes = append(notes, "Outside North America position 10 need not mean a model year, nor position 11 a plant; the years are what they would mean under 49 CFR 565.15.")
	case rule == fitmentv1.Finding_UNKNOWN && len(y.candidates) > 0:
		notes = append(notes, "Model year and plant are read by 49 CFR 565.15; whether it holds for this vehicle depends on its market.")
	}
	return notes
}
