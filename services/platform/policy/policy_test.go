package policy_test

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/grpc/codes"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	reflectionpb "google.golang.org/grpc/reflection/grpc_reflection_v1"
	reflectionold "google.golang.org/grpc/reflection/grpc_reflection_v1alpha"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/platform/policy"
	"beltwright.example/services/platform/policy/policytest"
)

// methods are all methods of our services and of those that grpc brings, by their
// descriptors.
func methods(t *testing.T) map[string]protoreflect.MethodDescriptor {
	t.Helper()
	known := map[protoreflect.FullName]bool{
		"beltwright.fitment.v1": true, "beltwright.quote.v1": true,
		healthpb.File_grpc_health_v1_health_proto.Package():                   true,
		reflectionpb.File_grpc_reflection_v1_reflection_proto.Package():       true,
		reflectionold.File_grpc_reflection_v1alpha_reflection_proto.Package(): true,
		quotev1.File_beltwright_quote_v1_quote_proto.Package():                true,
		fitmentv1.File_beltwright_fitment_v1_identity_proto.Package():         true,
	}
	all := map[string]protoreflect.MethodDescriptor{}
	protoregistry.GlobalFiles.RangeFiles(func(file protoreflect.FileDescriptor) bool {
		for i := range file.Services().Len() {
			service := file.Services().Get(i)
			for j := range service.Methods().Len() {
				if known[file.Package()] {
					all["/"+string(service.FullName())+"/"+string(service.Methods().Get(j).Name())] = service.Methods().Get(j)
				}
			}
		}
		return true
	})
	return all
}

func TestEveryMethodHasItsRowAndEveryRowItsMethod(t *testing.T) {
	t.Parallel()
	all, table := methods(t), policy.Default()
	for method := range all {
		if _, ok := table[method]; !ok {
			t.Errorf("%s has no row", method)
		}
	}
	for method, rule := range table {
		if all[method] == nil {
			t.Errorf("%s does not exist", method)
		}
		if kinds := count(rule.Public, rule.SignedIn, len(rule.Roles) > 0); kinds != 1 {
			t.Errorf("%s is open to %d kinds of callers; want one", method, kinds)
		}
		if rule.Public != policy.Public(method) {
			t.Errorf("%s: public by its row: %v, by Public: %v", method, rule.Public, policy.Public(method))
		}
	}
	if len(all) < 90 {
		t.Errorf("only %d methods were found", len(all))
	}
}

func count(all ...bool) int {
	n := 0
	for _, one := range all {
		if one {
			n++
		}
	}
	return n
}

// Whatever changes something is open to some desks only, but for what concerns the
// credential itself: a credential without a desk writes nothing.
func TestWritesNeedADesk(t *testing.T) {
	t.Parallel()
	table := policy.Default()
	for name, method := range methods(t) {
		writes := method.Input().Fields().ByName("request_id") != nil || method.IsStreamingClient()
		own := name == fitmentv1.IdentityService_ChangePassword_FullMethodName || strings.HasPrefix(name, "/grpc.")
		if rule := table[name]; writes && !own && len(rule.Roles) == 0 {
			t.Errorf("%s writes and is open to %v", name, rule)
		}
	}
}

// What every method answers each desk alone, written out: a row that is widened or
// narrowed by accident shows here.
func TestWhoMayDoWhat(t *testing.T) {
	t.Parallel()
	desks := []identity.Role{identity.Yard, identity.Shop, identity.Books, identity.Admin, identity.Operator}
	letters := map[identity.Role]string{identity.Yard: "y", identity.Shop: "s", identity.Books: "b", identity.Admin: "a", identity.Operator: "o"}
	got := map[string]string{}
	table := policy.Default()
	for method := range table {
		short := method[strings.LastIndex(method, ".")+1:]
		if strings.Contains(method, "alpha") {
			continue
		}
		if strings.Contains(method, ".quote.") && strings.Contains(short, "Backup") {
			short = "quote " + short
		}
		text := ""
		for _, desk := range desks {
			p := identity.Principal{Tenant: "x", KeyID: "k", Roles: []identity.Role{desk}}
			err := table.Check(p, method)
			if err == nil {
				text += letters[desk]
			} else if status.Code(err) != codes.PermissionDenied || apierr.ReasonOf(err) != fitmentv1.ErrorInfo_PERMISSION_MISSING {
				t.Errorf("%s as %s: %v", method, desk, err)
			}
		}
		nobody := table.Check(identity.Principal{}, method)
		if nobody == nil {
			text = "*" + text
		} else if status.Code(nobody) != codes.Unauthenticated {
			t.Errorf("%s as nobody: %v", method, nobody)
		}
		got[short] = text
	}
	if diff := cmp.Diff(policytest.Desks(), got); diff != "" {
		t.Error(diff)
	}
}

// Who is refused learns which desk it takes, and at which his credential sits.
func TestRefusalsNameTheDesks(t *testing.T) {
	t.Parallel()
	table := policy.Default()
	at := func(desks ...identity.Role) identity.Principal {
		return identity.Principal{Tenant: "x", KeyID: "k", Roles: desks}
	}
	for _, c := range []struct {
		by     identity.Principal
		method string
		want   string
	}{
		{at(identity.Yard), fitmentv1.ListingService_HoldListing_FullMethodName, "this needs the desk shop or books, or the operator; this credential sits at yard"},
		{at(identity.Shop, identity.Admin), fitmentv1.IdentityService_CreateBusiness_FullMethodName, "this needs the operator; this credential sits at shop, admin"},
		{at(), fitmentv1.IdentityService_ListKeys_FullMethodName, "this needs the desk admin, or the operator; this credential sits at no desk"},
	} {
		if got := status.Convert(table.Check(c.by, c.method)).Message(); got != c.want {
			t.Errorf("%s: %q, want %q", c.method, got, c.want)
		}
	}
	bare := policy.Table{"/made.Up/Known": {}, "/made.Up/Desk": {Roles: []identity.Role{identity.Shop}}}
	for method, want := range map[string]string{"/made.Up/Known": "what no credential has", "/made.Up/Desk": "the desk shop;"} {
		if got := status.Convert(bare.Check(at(identity.Yard), method)).Message(); !strings.Contains(got, "needs "+want) {
			t.Errorf("%s: %q, want %q", method, got, want)
		}
	}
}

func TestWithoutARowNothingIsOpen(t *testing.T) {
	t.Parallel()
	table := policy.Table{"/made.Up/Known": {}}
	everyDesk := identity.Principal{Tenant: "x", KeyID: "k", Roles: []identity.Role{
		identity.Yard, identity.Shop, identity.Books, identity.Admin, identity.Operator,
	}}
	if err := table.Check(everyDesk, "/made.Up/Other"); status.Code(err) != codes.Unimplemented {
		t.Errorf("a method without a row: %v, want UNIMPLEMENTED", err)
	}
	if err := table.Check(everyDesk, "/made.Up/Known"); status.Code(err) != codes.PermissionDenied {
		t.Errorf("an empty row: %v, want PERMISSION_DENIED", err)
	}
	if err := table.Covers("/made.Up/Known"); err != nil {
		t.Error(err)
	}
	err := table.Covers("/made.Up/Known", "/made.Up/Z", "/made.Up/A")
	if err == nil || !strings.Contains(err.Error(), "/made.Up/A, /made.Up/Z") {
		t.Errorf("%v; want both methods named", err)
	}
}
