package cli

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	"beltwright.example/services/platform/answers"
	"beltwright.example/services/platform/auth"
	"beltwright.example/services/platform/mtls"
	"beltwright.example/services/platform/process"
	"beltwright.example/services/platform/serve"
)

// defaultData is the data directory of a server started without --data.
const defaultData = "beltwright-data"

// Names of the files that keys are written to in the data directory.
const (
	demoKeyFile     = "demo.key"
	operatorKeyFile = "operator.key"
)

// connection says how client commands reach a server, and how they answer.
type connection struct {
	server, quote, key, keyFile, tls string
	sessionFile                      string
	timeout                          time.Duration
	asJSON                           bool
}

// bindConnection adds the flags that every client command has.
func bindConnection(root *cobra.Command) *connection {
	c := &connection{}
	flags := root.PersistentFlags()
	flags.StringVar(&c.server, "server", cmp.Or(os.Getenv("BELTWRIGHT_SERVER"), "127.0.0.1:8081"), "gRPC `address` of the server (environment BELTWRIGHT_SERVER)")
	flags.StringVar(&c.quote, "quote-server", os.Getenv("BELTWRIGHT_QUOTE_SERVER"), "gRPC `address` of the quote service, where it is a process of its own (environment BELTWRIGHT_QUOTE_SERVER; default as --server)")
	flags.StringVar(&c.tls, "tls", os.Getenv("BELTWRIGHT_TLS"), "`directory` with your "+mtls.CAFile+", "+mtls.CertFile+" and "+mtls.KeyFile+", for servers that speak TLS (environment BELTWRIGHT_TLS)")
	flags.StringVar(&c.key, "key", "", "the key itself (environment BELTWRIGHT_KEY); better keep it in a file")
	flags.StringVar(&c.keyFile, "key-file", "", "`file` with the key (default "+demoKeyFile+" or "+operatorKeyFile+" in "+defaultData+")")
	flags.StringVar(&c.sessionFile, "session-file", os.Getenv("BELTWRIGHT_SESSION_FILE"), "`file` in which sign-in keeps a session (environment BELTWRIGHT_SESSION_FILE; default beltwright/session.json in your configuration folder)")
	flags.DurationVar(&c.timeout, "timeout", 30*time.Second, "how long to wait for an answer; imports wait as long as they take")
	flags.BoolVar(&c.asJSON, "json", false, "print the answer as JSON")
	return c
}

// readKey finds the credential: flag, environment, file, the session of whoever has
// signed in on this server, or the files that a server with the default data directory
// wrote.
func (c *connection) readKey() (string, error) {
	if key := cmp.Or(c.key, os.Getenv("BELTWRIGHT_KEY")); key != "" {
		return key, nil
	}
	var kept signedIn
	if c.keyFile == "" {
		var ok bool
		var err error
		if kept, ok, err = c.session(); err != nil || ok {
			return kept.Credential, err
		}
	}
	candidates := []string{c.keyFile}
	if c.keyFile == "" {
		candidates = []string{filepath.Join(defaultData, demoKeyFile), filepath.Join(defaultData, operatorKeyFile)}
	}
	for _, path := range candidates {
		raw, err := os.ReadFile(path) //nolint:gosec // a file that the user named
		switch {
		case err == nil:
			return strings.TrimSpace(string(raw)), nil
		case c.keyFile != "" || !errors.Is(err, fs.ErrNotExist):
			return "", fmt.Errorf("read the key: %w", err)
		}
	}
	if kept.Server != "" {
		return "", usageError{fmt.Errorf("no credential for %s: %s is signed in on %s; give --key-file FILE, or the --server that you mean, or sign in here with beltwright sign-in", c.server, kept.Login, kept.Server)}
	}
	return "", usageError{fmt.Errorf("no credential: give --key-file FILE, sign in with beltwright sign-in, or run this where a server keeps its data in %s", defaultData)}
}

// openIdentity opens the certificate in a directory; none where none is named.
func openIdentity(dir string, log *slog.Logger) (*mtls.Identity, error) {
	if dir == "" {
		return nil, nil //nolint:nilnil // no identity is an answer: without TLS nobody has one
	}
	return mtls.Open(dir, log, time.Now)
}

// open connects and returns a context that carries the key.
func (c *connection) open(ctx context.Context) (context.Context, *sides, error) {
	key, err := c.readKey()
	if err != nil {
		return nil, nil, err
	}
	conn, err := c.dial()
	return auth.WithKey(ctx, key), conn, err
}

// dial connects.
func (c *connection) dial() (*sides, error) {
	identity, err := openIdentity(c.tls, slog.Default())
	if err != nil {
		return nil, err
	}
	fitment, err := serve.DialAs(identity, mtls.FitmentServers(), c.server)
	if err != nil {
		return nil, fmt.Errorf("connect to %s: %w", c.server, process.WantsTLS(err))
	}
	quote := fitment
	if c.quote != "" {
		if quote, err = serve.DialAs(identity, mtls.QuoteServers(), c.quote); err != nil {
			return nil, errors.Join(fmt.Errorf("connect to %s: %w", c.quote, process.WantsTLS(err)), fitment.Close())
		}
	}
	return &sides{fitment: fitment, quote: quote}, nil
}

// ask makes one call.
func ask[Res proto.Message](
	ctx context.Context, c *connection, do func(ctx context.Context, conn grpc.ClientConnInterface) (Res, error),
) (answer Res, err error) {
	ctx, conn, err := c.open(ctx)
	if err != nil {
		return answer, err
	}
	defer func() { err = errors.Join(err, conn.Close()) }()
	ctx, cancel := context.WithTimeout(ctx, c.timeout)
	defer cancel()
	return do(ctx, conn)
}

// call makes one call and prints its answer, as JSON or by show.
func call[Res proto.Message](
	c *connection, cmd *cobra.Command, do func(ctx context.Context, conn grpc.ClientConnInterface) (Res, error), show func(p *printer, answer Res),
) error {
	answer, err := ask(cmd.Context(), c, do)
	if err != nil {
		return err
	}
	return c.print(cmd, answer, func(p *printer) { show(p, answer) })
}

// print writes an answer.
func (c *connection) print(cmd *cobra.Command, answer proto.Message, show func(p *printer)) error {
	if c.asJSON {
		raw, err := answers.JSON(answer)
		if err != nil {
			return err
		}
		var indented bytes.Buffer
		if err := json.Indent(&indented, raw, "", "  "); err != nil {
			return fmt.Errorf("print the answer: %w", err)
		}
		_, err = fmt.Fprintln(cmd.OutOrStdout(), indented.String())
		return err
	}
	p := &printer{out: cmd.OutOrStdout()}
	show(p)
	return p.err
}
