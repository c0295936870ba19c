package hedge

import (
	"context"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/peer"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
)

// attempts is how often a call is made at most.
const attempts = 2

// race is one call that may be made twice.
type race struct {
	hedger  *Hedger
	delay   time.Duration
	invoke  func(ctx context.Context, a *attempt) error
	results chan *attempt
}

// run returns the first answer, in the caller's reply and options. Both attempts
// have ended by then: they share the request, which is the caller's again
// afterwards.
func (r *race) run(ctx context.Context, into proto.Message, options []grpc.CallOption) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	kind := into.ProtoReflect().Type() // before the first attempt writes into it
	first := &attempt{reply: into, options: options}
	r.start(ctx, first)
	won, running := r.first(ctx, func() *attempt { return again(kind, options) })
	cancel()
	for range running {
		if lost := <-r.results; lost.panicked != nil {
			panic(lost.panicked) //nolint:forbidigo // the attempt's own, carried over
		}
	}
	if won.panicked != nil {
		panic(won.panicked) //nolint:forbidigo // the attempt's own, carried over
	}
	if won != first {
		r.hedger.count(Won)
		won.handOver(into)
	}
	return won.err
}

// first waits for an answer that settles the call, makes the second attempt where
// the first one takes too long, and tells how many attempts still run.
func (r *race) first(ctx context.Context, again func() *attempt) (won *attempt, running int) {
	late := time.NewTimer(r.delay)
	defer late.Stop()
	running = 1
	for {
		select {
		case <-late.C:
			if !r.hedger.budget.spend() {
				r.hedger.count(Unpaid)
				continue
			}
			r.hedger.count(Repeated)
			running++
			r.start(ctx, again())
		case ended := <-r.results:
			running--
			if won == nil || ended.settles() {
				won = ended
			}
			if ended.settles() || running == 0 {
				return won, running
			}
		}
	}
}

// start runs an attempt. A panic is carried to the caller's goroutine, where
// somebody may be there to recover it.
func (r *race) start(ctx context.Context, a *attempt) {
	go func() {
		defer func() {
			a.panicked = recover()
			r.results <- a
		}()
		a.err = r.invoke(ctx, a)
	}()
}

// attempt is one of the calls of a race.
type attempt struct {
	reply    proto.Message
	options  []grpc.CallOption
	err      error
	panicked any

	// handBack copies what options asked for to where the caller wants it.
	handBack []func()
}

// settles tells whether nothing is gained by waiting for another server: it does
// not where this one is down or refuses for want of room.
func (a *attempt) settles() bool {
	code := status.Code(a.err)
	return a.panicked != nil || code != codes.Unavailable && code != codes.ResourceExhausted
}

// separable tells whether two attempts can be made with the options: what is called
// when a call ends would be called twice.
func separable(options []grpc.CallOption) bool {
	for _, option := range options {
		if _, ok := option.(grpc.OnFinishCallOption); ok {
			return false
		}
	}
	return true
}

// again returns a second attempt: its answer, and what the options ask for, go to
// places of their own.
func again(kind protoreflect.MessageType, options []grpc.CallOption) *attempt {
	a := &attempt{reply: kind.New().Interface()}
	for _, option := range options {
		switch wanted := option.(type) {
		case grpc.HeaderCallOption:
			header := &metadata.MD{}
			option = grpc.Header(header)
			a.handBack = append(a.handBack, func() { *wanted.HeaderAddr = *header })
		case grpc.TrailerCallOption:
			trailer := &metadata.MD{}
			option = grpc.Trailer(trailer)
			a.handBack = append(a.handBack, func() { *wanted.TrailerAddr = *trailer })
		case grpc.PeerCallOption:
			from := &peer.Peer{}
			option = grpc.Peer(from)
			a.handBack = append(a.handBack, func() { *wanted.PeerAddr = *from })
		}
		a.options = append(a.options, option)
	}
	return a
}

// handOver moves the answer to where the caller wants it.
func (a *attempt) handOver(into proto.Message) {
	for _, copied := range a.handBack {
		copied()
	}
	proto.Reset(into)
	from, to := a.reply.ProtoReflect(), into.ProtoReflect()
	from.Range(func(field protoreflect.FieldDescriptor, value protoreflect.Value) bool {
		to.Set(field, value) // shared, not copied: nobody else has the answer
		return true
	})
	to.SetUnknown(from.GetUnknown())
}
