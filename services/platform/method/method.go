// Package method tells declared gRPC methods from what anybody may send as a path:
// what counts, traces and limits by method needs a table that no caller can extend.
package method

import (
	"strings"

	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
)

// Split returns the full service name and the method's name of a path such as
// "/package.Service/Method", where this program knows a service that declares it.
func Split(path string) (service, name string, ok bool) {
	rest, slash := strings.CutPrefix(path, "/")
	service, name, cut := strings.Cut(rest, "/")
	if !slash || !cut {
		return "", "", false
	}
	found, err := protoregistry.GlobalFiles.FindDescriptorByName(protoreflect.FullName(service))
	if err != nil {
		return "", "", false
	}
	described, isService := found.(protoreflect.ServiceDescriptor)
	if !isService || described.Methods().ByName(protoreflect.Name(name)) == nil {
		return "", "", false
	}
	return service, name, true
}

// Declared tells whether this program knows a service that declares the method.
func Declared(path string) bool {
	_, _, ok := Split(path)
	return ok
}
