package method_test

import (
	"strings"
	"testing"

	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"pgregory.net/rapid"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/method"
)

func TestSplit(t *testing.T) {
	t.Parallel()
	for path, want := range map[string]string{
		fitmentv1.FitmentService_Decide_FullMethodName:  "beltwright.fitment.v1.FitmentService Decide",
		healthpb.Health_Check_FullMethodName:            "grpc.health.v1.Health Check",
		"/beltwright.fitment.v1.FitmentService/None":    "",
		"/beltwright.fitment.v1.None/Decide":            "",
		"/beltwright.fitment.v1.Listing/name":           "", // a message
		"beltwright.fitment.v1.FitmentService/Decide":   "",
		"//beltwright.fitment.v1.FitmentService/Decide": "",
		"/beltwright.fitment.v1.FitmentService/Decide/": "",
		"/beltwright.fitment.v1.FitmentService":         "",
		"/":                                             "", "": "", "//": "",
	} {
		service, name, ok := method.Split(path)
		if got := strings.TrimSpace(service + " " + name); got != want || ok != (want != "") || method.Declared(path) != ok {
			t.Errorf("%q: %q, %v; want %q", path, got, ok, want)
		}
	}
}

// TestNothingElseIsDeclared: whatever is declared is the path that it was split from.
func TestNothingElseIsDeclared(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		path := rapid.String().Draw(t, "path")
		if service, name, ok := method.Split(path); ok && "/"+service+"/"+name != path {
			t.Fatalf("%q is taken for %s/%s", path, service, name)
		}
	})
}
