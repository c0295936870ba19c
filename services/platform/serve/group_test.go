package serve_test

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"

	"github.com/google/go-cmp/cmp"

	"beltwright.example/services/platform/serve"
)

func TestGroupEndsItsMembersInOrder(t *testing.T) {
	t.Parallel()
	broken := errors.New("broken")
	for name, c := range map[string]struct {
		end  func(cancel context.CancelFunc, fail chan<- error)
		want error
	}{
		"as asked":           {func(cancel context.CancelFunc, _ chan<- error) { cancel() }, nil},
		"one fails":          {func(_ context.CancelFunc, fail chan<- error) { fail <- broken }, broken},
		"one ends by itself": {func(_ context.CancelFunc, fail chan<- error) { fail <- nil }, nil},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			synctest.Test(t, func(t *testing.T) {
				ctx, cancel := context.WithCancel(t.Context())
				defer cancel()
				var ended []string // members end one by one, so no lock
				fail := make(chan error, 1)
				var group serve.Group
				for _, member := range []string{"gateway", "quote"} {
					group.Add(member, func(ctx context.Context) error {
						<-ctx.Done()
						synctest.Wait() // all that would end at once has ended by now
						ended = append(ended, member)
						return nil
					})
				}
				group.Add("fitment", func(ctx context.Context) error {
					select {
					case <-ctx.Done():
						ended = append(ended, "fitment")
						return nil
					case err := <-fail:
						return err
					}
				})
				done := make(chan error, 1)
				go func() { done <- group.Run(ctx) }()
				synctest.Wait()
				c.end(cancel, fail)
				if err := <-done; !errors.Is(err, c.want) {
					t.Errorf("%v, want %v", err, c.want)
				}
				want := []string{"gateway", "quote"}
				if name == "as asked" {
					want = append(want, "fitment")
				}
				if diff := cmp.Diff(want, ended); diff != "" {
					t.Error(diff)
				}
			})
		})
	}
}

func TestEmptyGroupEndsAtOnce(t *testing.T) {
	t.Parallel()
	if err := new(serve.Group).Run(t.Context()); err != nil {
		t.Error(err)
	}
}
