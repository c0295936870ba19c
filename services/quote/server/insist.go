package server

import (
	"sync"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// retries is the budget of what is repeated under its request id: as in the
// connection's own retries of reads (A6 of grpc's proposals, "Throttling"), a failure
// costs a token, ten successes earn one, and under half of ten tokens nothing is
// repeated. So a service that fails gets at most about a tenth more calls for it.
type retries struct {
	mu    sync.Mutex
	spent int // tenths of tokens
}

const (
	token      = 10
	halfSpent  = 5 * token
	mostTokens = 10 * token
)

// again notes how a call ended and tells whether it may be repeated: only one whose
// answer is lost, and within the budget.
func (r *retries) again(err error) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	if status.Code(err) != codes.Unavailable {
		r.spent = max(r.spent-1, 0)
		return false
	}
	r.spent = min(r.spent+token, mostTokens)
	return r.spent < halfSpent
}

// insist makes a call that has a request id, and repeats it where its answer is lost
// and the budget allows.
func (f fitmentSide) insist(call func() error) error {
	for try := 1; ; try++ {
		err := call()
		if again := f.retries.again(err); !again || try == applyTries {
			return err
		}
	}
}
