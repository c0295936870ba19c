package cli

import (
	"cmp"
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/status"

	"beltwright.example/services/platform/mtls"
	"beltwright.example/services/platform/serve"
)

// healthAnswer bounds what is read of a readiness answer, in bytes.
const healthAnswer = 4 << 10

func healthCommand(c *connection) *cobra.Command {
	var address, service string
	cmd := &cobra.Command{
		Use:   "health",
		Short: "Ask a server whether it can serve",
		Long: `Health ends without an error where a server says that it can serve. It needs no key.
It asks the gRPC server at --server, or with --http the REST server at an address; by
HTTPS it trusts the ca.pem in --tls, where that is given. It is what the health check
of a container runs.`,
		Example: "  beltwright health --server 127.0.0.1:9091\n  beltwright health --http http://127.0.0.1:8080",
		Args:    noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			ctx, cancel := context.WithTimeout(cmd.Context(), c.timeout)
			defer cancel()
			var err error
			what := cmp.Or(address, c.server)
			if address != "" {
				err = c.webHealth(ctx, address)
			} else {
				err = c.callHealth(ctx, service)
			}
			if err != nil {
				return fmt.Errorf("%s cannot serve: %w", what, err)
			}
			_, err = fmt.Fprintln(cmd.OutOrStdout(), "ready")
			return err
		},
	}
	cmd.Flags().StringVar(&address, "http", "", "`address` of a REST server, with http:// or https://, instead of --server")
	cmd.Flags().StringVar(&service, "service", "", "`service` to ask about, such as beltwright.fitment.v1.FitmentService (default the whole server)")
	return cmd
}

// callHealth asks by gRPC.
func (c *connection) callHealth(ctx context.Context, service string) (err error) {
	identity, err := openIdentity(c.tls, slog.Default())
	if err != nil {
		return err
	}
	conn, err := serve.DialAs(identity, slices.Concat(mtls.FitmentServers(), mtls.QuoteServers()), c.server)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, conn.Close()) }()
	answer, err := grpc_health_v1.NewHealthClient(conn).Check(ctx, &grpc_health_v1.HealthCheckRequest{Service: service})
	if err != nil {
		return errors.New(status.Convert(err).Message()) // the hints for other commands would lead astray
	}
	if got := answer.GetStatus(); got != grpc_health_v1.HealthCheckResponse_SERVING {
		return fmt.Errorf("it says %s", got)
	}
	return nil
}

// webHealth asks by HTTP; by HTTPS it trusts the authority in --tls, where that is
// given, instead of those that the machine trusts.
func (c *connection) webHealth(ctx context.Context, address string) (err error) {
	base, err := url.Parse(address)
	if err != nil || base.Host == "" {
		return usageError{fmt.Errorf("--http %s: expected an address such as http://127.0.0.1:8080", address)}
	}
	request, err := http.NewRequestWithContext(ctx, http.MethodGet, base.JoinPath("readyz").String(), http.NoBody)
	if err != nil {
		return err
	}
	client, err := c.webClient()
	if err != nil {
		return err
	}
	answer, err := client.Do(request)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, answer.Body.Close()) }()
	body, err := io.ReadAll(io.LimitReader(answer.Body, healthAnswer))
	if err == nil && answer.StatusCode != http.StatusOK {
		err = fmt.Errorf("it says %s: %s", answer.Status, healthWords(body))
	}
	return err
}

// healthWords is the message of an answer that says why not, or its text where it is
// not one of ours.
func healthWords(body []byte) string {
	var said struct {
		Message string `json:"message"`
	}
	if json.Unmarshal(body, &said) == nil && said.Message != "" {
		return said.Message
	}
	return strings.TrimSpace(string(body))
}

func (c *connection) webClient() (*http.Client, error) {
	if c.tls == "" {
		return http.DefaultClient, nil
	}
	raw, err := os.ReadFile(filepath.Join(filepath.Clean(c.tls), mtls.CAFile))
	if err != nil {
		return nil, fmt.Errorf("--tls: %w", err)
	}
	trusted := x509.NewCertPool()
	if !trusted.AppendCertsFromPEM(raw) {
		return nil, fmt.Errorf("--tls: no certificate in %s of %s", mtls.CAFile, c.tls)
	}
	return &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: trusted, MinVersion: tls.VersionTLS13}}}, nil
}
