// Package policy says who may call what: one row for each method of each service.
// It knows desks only. Whose a record is, is for whoever reads the record.
package policy

import (
	"fmt"
	"slices"
	"strings"

	"google.golang.org/grpc/codes"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/identity"
)

// Rule says who may call one method. The zero value lets nobody in.
type Rule struct {
	// Public lets everybody in, without a credential.
	Public bool
	// SignedIn lets every credential in, whatever its desk.
	SignedIn bool
	// Roles are the desks that are let in; a credential needs one of them.
	Roles []identity.Role
}

// Allows tells whether a principal, who is signed in, may call the method.
func (r Rule) Allows(p identity.Principal) bool {
	return r.Public || r.SignedIn || slices.ContainsFunc(r.Roles, p.Has)
}

// String names who is let in, for people.
func (r Rule) String() string {
	switch {
	case r.Public:
		return "everybody"
	case r.SignedIn:
		return "everybody with a credential"
	case len(r.Roles) == 0:
		return "nobody"
	}
	names := make([]string, 0, len(r.Roles))
	for _, role := range r.Roles {
		names = append(names, string(role))
	}
	return strings.Join(names, " or ")
}

// wants says what a credential needs for the method: desks, or to be the operator's.
func (r Rule) wants() string {
	names, operator := make([]string, 0, len(r.Roles)), false
	for _, role := range r.Roles {
		if role == identity.Operator {
			operator = true
		} else {
			names = append(names, string(role))
		}
	}
	desk := "the desk " + strings.Join(names, " or ")
	switch {
	case len(names) == 0 && !operator:
		return "what no credential has"
	case len(names) == 0:
		return "the operator"
	case operator:
		return desk + ", or the operator"
	}
	return desk
}

// seats are the desks of a credential, for people; the operator is one who sits at admin
// of the business that runs the deployment.
func seats(p identity.Principal) string {
	names := make([]string, 0, len(p.Roles))
	for _, role := range p.Roles {
		if role != identity.Operator {
			names = append(names, string(role))
		}
	}
	if len(names) == 0 {
		return "no desk"
	}
	return strings.Join(names, ", ")
}

// Table is the rule of each method by its full name, "/package.Service/Method".
type Table map[string]Rule

// Check returns nil where the principal may call the method, the zero principal
// being nobody who is known; UNAUTHENTICATED where nobody is known and one has to
// be; PERMISSION_DENIED that names the desks where the principal sits at none of
// them; and UNIMPLEMENTED where the table has no row: what nobody has thought about
// is open to nobody.
func (t Table) Check(p identity.Principal, method string) error {
	rule, ok := t[method]
	switch {
	case p.Tenant == "" && !rule.Public:
		return apierr.New(codes.Unauthenticated, fitmentv1.ErrorInfo_CREDENTIAL_INVALID, "who is calling?")
	case !ok:
		return apierr.New(codes.Unimplemented, fitmentv1.ErrorInfo_ROUTE_UNKNOWN, "this server has no such method")
	case rule.Allows(p):
		return nil
	}
	return apierr.New(codes.PermissionDenied, fitmentv1.ErrorInfo_PERMISSION_MISSING,
		"this needs %s; this credential sits at %s", rule.wants(), seats(p))
}

// Covers returns an error that names the methods, "/package.Service/Method", for
// which the table has no row.
func (t Table) Covers(methods ...string) error {
	var bare []string
	for _, method := range methods {
		if _, ok := t[method]; !ok {
			bare = append(bare, method)
		}
	}
	if len(bare) == 0 {
		return nil
	}
	slices.Sort(bare)
	return fmt.Errorf("policy: nobody has said who may call %s; expected a row in services/platform/policy", strings.Join(bare, ", "))
}

// Public tells whether everybody may call a method, without a credential, by the
// table of Default.
func Public(method string) bool {
	return slices.Contains(public, method)
}
