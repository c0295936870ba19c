package quote

import (
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/quote/working"
)

// WorkingProtos puts steps into the form of the wire contract.
func WorkingProtos(steps []working.Step) []*quotev1.Working {
	protos := make([]*quotev1.Working, len(steps))
	for i, step := range steps {
		protos[i] = &quotev1.Working{Number: step.Number, Formula: step.Formula, Value: step.Value, Source: step.Source}
	}
	return protos
}
