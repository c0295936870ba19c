package serve

import (
	"errors"
	"fmt"

	"google.golang.org/grpc"
)

// transport is how connections are secured, as server options; none without TLS.
func (c Config) transport() ([]grpc.ServerOption, error) {
	if c.TLS == nil {
		if len(c.Allow) > 0 {
			return nil, errors.New("serve: names are allowed but there is no certificate to tell them by; expected both or neither")
		}
		return nil, nil
	}
	secure, err := c.TLS.ServerCredentials(c.Allow)
	if err != nil {
		return nil, fmt.Errorf("serve: %w", err)
	}
	return []grpc.ServerOption{grpc.Creds(secure)}, nil
}
