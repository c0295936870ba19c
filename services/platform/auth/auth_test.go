package auth_test

import (
	"context"
	"strings"
	"testing"

	"go.uber.org/goleak"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/auth"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/platform/policy"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func incoming(t *testing.T, headers ...string) context.Context {
	t.Helper()
	return metadata.NewIncomingContext(t.Context(), metadata.MD{auth.Header: headers})
}

func TestBearerReadsExactlyOneKey(t *testing.T) {
	t.Parallel()
	longest := strings.Repeat("k", auth.MaxKey)
	for name, c := range map[string]struct {
		headers []string
		want    string
	}{
		"one":           {[]string{"Bearer key"}, "key"},
		"lower case":    {[]string{"bearer key"}, "key"}, // RFC 9110 §11.1: schemes are case-insensitive
		"longest":       {[]string{"Bearer " + longest}, longest},
		"none":          {nil, ""},
		"two":           {[]string{"Bearer key", "Bearer key"}, ""},
		"empty":         {[]string{""}, ""},
		"no key":        {[]string{"Bearer "}, ""},
		"no scheme":     {[]string{"key"}, ""},
		"other scheme":  {[]string{"Basic a2V5"}, ""},
		"two words":     {[]string{"Bearer key word"}, ""},
		"leading space": {[]string{"Bearer  key"}, ""},
		"too long":      {[]string{"Bearer " + longest + "k"}, ""},
		"control":       {[]string{"Bearer ke\x00y"}, ""},
		"not ASCII":     {[]string{"Bearer kéy"}, ""},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			if got, ok := auth.Bearer(incoming(t, c.headers...)); got != c.want || ok != (c.want != "") {
				t.Errorf("%q, %v; want %q", got, ok, c.want)
			}
		})
	}
}

func TestEveryPathButHealthNeedsAKey(t *testing.T) {
	t.Parallel()
	verifier := &asked{answer: func(key string) (identity.Principal, error) {
		if key == "good" {
			return shop(key)
		}
		return refuse(key)
	}}
	const decide = fitmentv1.FitmentService_Decide_FullMethodName
	for name, c := range map[string]struct {
		method, header string
		want           codes.Code
	}{
		"good":                  {decide, "Bearer good", codes.OK},
		"wrong":                 {decide, "Bearer bad", codes.Unauthenticated},
		"missing":               {decide, "", codes.Unauthenticated},
		"health":                {"/grpc.health.v1.Health/Check", "", codes.OK},
		"health with wrong key": {"/grpc.health.v1.Health/Watch", "Bearer bad", codes.OK},
		"like health":           {"/grpc.health.v1.Health/Other", "", codes.Unauthenticated},
		"health below":          {"/x/grpc.health.v1.Health/Check", "Bearer good", codes.Unimplemented},
		"reflection":            {"/grpc.reflection.v1.ServerReflection/ServerReflectionInfo", "", codes.Unauthenticated},
		"unknown":               {"/beltwright.fitment.v1.FitmentService/None", "", codes.Unauthenticated},
		"no leading slash":      {decide[1:], "Bearer good", codes.Unimplemented},
		"health without slash":  {"grpc.health.v1.Health/Check", "", codes.Unimplemented},
		"empty":                 {"", "Bearer good", codes.Unimplemented},
		"only a slash":          {"/", "Bearer good", codes.Unimplemented},
		"no method":             {"/beltwright.fitment.v1.FitmentService/", "Bearer good", codes.Unimplemented},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			ctx := t.Context()
			if c.header != "" {
				ctx = incoming(t, c.header)
			}
			inside, err := auth.Authenticate(ctx, verifier, c.method)
			if status.Code(err) != c.want {
				t.Fatalf("%v, want %v", err, c.want)
			}
			if c.want == codes.Unauthenticated && apierr.ReasonOf(err) != fitmentv1.ErrorInfo_CREDENTIAL_INVALID {
				t.Errorf("reason %v", apierr.ReasonOf(err))
			}
			if c.want != codes.OK {
				return
			}
			p, known := identity.FromContext(inside)
			if known == policy.Public(c.method) || known && p.Tenant != "shop-a" {
				t.Errorf("principal %v, %v", p, known)
			}
		})
	}
}

// What is said about a wrong key is what is said about none: the text must not
// help to tell a known id from an unknown one, nor repeat the key.
func TestRefusalSaysNothing(t *testing.T) {
	t.Parallel()
	verifier := &asked{answer: refuse}
	_, missing := auth.Authenticate(t.Context(), verifier, fitmentv1.FitmentService_Decide_FullMethodName)
	_, wrong := auth.Authenticate(incoming(t, "Bearer bw_shop_x_y"), verifier, fitmentv1.FitmentService_Decide_FullMethodName)
	if missing == nil || wrong == nil || missing.Error() != wrong.Error() {
		t.Errorf("%v differs from %v", missing, wrong)
	}
}
