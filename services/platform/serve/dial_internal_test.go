package serve

import (
	"slices"
	"testing"

	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	_ "beltwright.example/proto/beltwright/quote/v1" // registers the quote side's descriptors
)

// entrances begin and end sessions: writes without a request_id, which nobody may have
// before they are known. Each try begins another session, so none is tried again.
func entrances() []protoreflect.FullName {
	const service = "beltwright.fitment.v1.IdentityService."
	return []protoreflect.FullName{service + "SignIn", service + "SignInWithToken", service + "SignOut"}
}

// A method that is tried again must exist, be unary and change nothing. Every
// write but the entrances takes a request_id, so a method whose request has none is a
// read; and every unary read is on the list.
func TestExactlyTheReadsAreTriedAgain(t *testing.T) {
	t.Parallel()
	listed := map[protoreflect.FullName]bool{}
	for service, methods := range reads {
		for _, method := range methods {
			listed[protoreflect.FullName(service+"."+method)] = true
		}
	}
	protoregistry.GlobalFiles.RangeFiles(func(file protoreflect.FileDescriptor) bool {
		if file.Package() != "beltwright.fitment.v1" && file.Package() != "beltwright.quote.v1" {
			return true
		}
		for i := range file.Services().Len() {
			methods := file.Services().Get(i).Methods()
			for j := range methods.Len() {
				m := methods.Get(j)
				writes := m.Input().Fields().ByName("request_id") != nil || slices.Contains(entrances(), m.FullName())
				read := !writes && !m.IsStreamingClient() && !m.IsStreamingServer()
				if read != listed[m.FullName()] {
					t.Errorf("%s: a unary read: %v, on the list: %v", m.FullName(), read, listed[m.FullName()])
				}
				delete(listed, m.FullName())
			}
		}
		return true
	})
	for name := range listed {
		t.Errorf("%s is on the list but does not exist", name)
	}
}
