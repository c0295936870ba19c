package catalogue

import (
	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/check"
)

// ValidatePart notes what is wrong with a part.
func ValidatePart(_ *fitmentv1.Part, _ *check.Fields) {}

// ValidateSupersession notes what is wrong with a supersession.
func ValidateSupersession(_ *fitmentv1.Supersession, _ *check.Fields) {}

// ValidateRecall notes what is wrong with a notice or coverage statement.
func ValidateRecall(_ *fitmentv1.Recall, _ *check.Fields) {}
