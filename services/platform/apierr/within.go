package apierr

import (
	"errors"
	"strings"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// Violations returns the fields that an error names as wrong; nil where it names
// none.
func Violations(err error) []Violation {
	var carrier interface{ GRPCStatus() *status.Status }
	if !errors.As(err, &carrier) {
		return nil
	}
	var list []Violation
	for _, detail := range carrier.GRPCStatus().Details() {
		bad, ok := detail.(*errdetails.BadRequest)
		if !ok {
			continue
		}
		for _, v := range bad.GetFieldViolations() {
			problem, expected, _ := strings.Cut(v.GetDescription(), "; expected ")
			list = append(list, Violation{Field: v.GetField(), Problem: problem, Expected: expected})
		}
	}
	return list
}

// Within is an error about the fields of a message that lies inside another one,
// with its fields named from the outside; other errors stay as they are.
func Within(prefix string, err error) error {
	list := Violations(err)
	if len(list) == 0 || status.Code(err) != codes.InvalidArgument {
		return err
	}
	for i := range list {
		list[i].Field = prefix + list[i].Field
	}
	return Invalid(ReasonOf(err), list...)
}
