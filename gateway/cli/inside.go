package cli

import (
	"errors"
	"log/slog"
	"slices"

	"google.golang.org/grpc"

	"beltwright.example/gateway/guard"
	"beltwright.example/services/platform/breaker"
	"beltwright.example/services/platform/hop"
	"beltwright.example/services/platform/lanes"
	"beltwright.example/services/platform/process"
	"beltwright.example/services/platform/serve"
)

// inside is how the parts of the all-in-one program reach each other.
type inside struct {
	// memory is where its server listens for them.
	memory serve.Memory
	// breakers guard their calls.
	breakers *breaker.Set
	stop     func()
	// front is REST's way to both sides, between the quote side's to the fitment side.
	// They share no connection: calls of REST's that wait for the quote side could
	// fill it, and the quote side would wait for them.
	front, between *lanes.Lanes
}

// openInside makes the ways; they lead nowhere before a server serves on memory.
func openInside(seen *process.Seen, log *slog.Logger) (_ *inside, err error) {
	in := &inside{memory: serve.NewMemory()}
	if in.breakers, err = serve.NewBreakers(hop.Fitment, hop.Quote); err != nil {
		return nil, err
	}
	// A connection must not wait for the whole server's health: the quote side
	// is part of it, and waits for the fitment side through a connection.
	options := slices.Concat(guard.Sense(), seen.Traces.Dial(), serve.Between(in.breakers), []grpc.DialOption{grpc.WithDisableHealthCheck()})
	open := func() (*grpc.ClientConn, error) { return in.memory.Dial(options...) }
	if in.front, err = lanes.New(lanes.Config{}, open); err != nil {
		return nil, err
	}
	if in.between, err = lanes.New(lanes.Config{}, open); err != nil {
		return nil, errors.Join(err, in.front.Close())
	}
	in.stop = in.breakers.Go(breaker.Log(log), seen.Metrics.Breaker)
	return in, nil
}

// Close closes the ways.
func (in *inside) Close() error {
	err := errors.Join(in.front.Close(), in.between.Close())
	in.stop()
	return err
}
