package vin

import (
	"slices"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// unsettled are the markets of North America in the wide sense, and territories
// of the United States, for which we have no source that says whether the rule
// applies (ISO 3166-1 alpha-2).
var unsettled = []string{
	"AG", "AI", "AS", "AW", "BB", "BL", "BM", "BQ", "BS", "BZ", "CR", "CU", "CW", "DM", "DO", "GD", "GL", "GP", "GT", "GU",
	"HN", "HT", "JM", "KN", "KY", "LC", "MF", "MP", "MQ", "MS", "MX", "NI", "PA", "PM", "PR", "SV", "SX", "TC", "TT", "UM",
	"VC", "VG", "VI",
}

// applies says whether the check digit and the model-year code are required for
// vehicles of a market. United States: 49 CFR 565.13(c) and 565.15. Canada:
// Motor Vehicle Safety Regulations, Schedule IV, section 115 (from memory: same
// digit, same code). Outside North America ISO 3779 requires neither (from
// memory). The first character of a VIN names the region of the maker, not the
// market, and so tells nothing here.
func applies(market string) fitmentv1.Finding_Answer {
	switch {
	case market == "US" || market == "CA":
		return fitmentv1.Finding_YES
	case market == "" || slices.Contains(unsettled, market):
		return fitmentv1.Finding_UNKNOWN
	}
	return fitmentv1.Finding_NO
}
