package server

import (
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// TestInsistingStaysWithinItsBudget: of a service that answers nothing, at most a tenth
// more is asked for than there are calls. The control starts each call with a budget
// that is full and asks three times as much.
func TestInsistingStaysWithinItsBudget(t *testing.T) {
	t.Parallel()
	const calls = 1000
	asked := 0
	lost := func() error { asked++; return status.Error(codes.Unavailable, "lost") }
	f := fitmentSide{retries: &retries{}}
	for range calls {
		if err := f.insist(lost); status.Code(err) != codes.Unavailable {
			t.Fatal(err)
		}
	}
	if asked > calls*11/10 || asked <= calls {
		t.Errorf("%d calls were made %d times, want some of them again and at most a tenth more", calls, asked)
	}
	asked = 0
	for range calls {
		_ = fitmentSide{retries: &retries{}}.insist(lost)
	}
	if asked != applyTries*calls {
		t.Errorf("the control: %d calls were made %d times without what was spent before, so this test shows nothing", calls, asked)
	}
}

// TestInsistingComesBack with the service: what succeeds earns what the next lost
// answer needs.
func TestInsistingComesBack(t *testing.T) {
	t.Parallel()
	f := fitmentSide{retries: &retries{}}
	asked := 0
	for range 100 {
		_ = f.insist(func() error { asked++; return status.Error(codes.Unavailable, "lost") })
	}
	once := func(code codes.Code) (times int) {
		_ = f.insist(func() error {
			times++
			if times == 1 {
				return status.Error(codes.Unavailable, "lost")
			}
			return status.Error(code, "answered")
		})
		return times
	}
	if n := once(codes.OK); n != 1 {
		t.Errorf("a service that is down was asked %d times, want once", n)
	}
	for range 2 * mostTokens {
		if err := f.insist(func() error { return nil }); err != nil {
			t.Fatal(err)
		}
	}
	for _, code := range []codes.Code{codes.OK, codes.FailedPrecondition, codes.ResourceExhausted} {
		if n := once(code); n != 2 {
			t.Errorf("after many successes, one lost answer and then %v: asked %d times, want 2", code, n)
		}
	}
}
