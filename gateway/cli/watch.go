package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"
)

// watchFlags say how a watch runs.
type watchFlags struct {
	revision, resume string
	once             bool
}

func (f *watchFlags) bind(cmd *cobra.Command) {
	flags := cmd.Flags()
	flags.StringVar(&f.revision, "revision", "", "revision of the last change that you have (default all from the start)")
	flags.StringVar(&f.resume, "resume", "", "`file` that the place is kept in, read at the start")
	flags.BoolVar(&f.once, "once", false, "end when all there is now has been told")
}

// change is a message of a watch.
type change interface{ GetRevision() string }

// stream is the reading end of a watch.
type stream[M change] interface{ Recv() (M, error) }

// watch shows changes until the user ends it, or something fails. A stream that ends
// in good order is opened again at the last revision. Show shows a change and tells
// whether all there is has been told with it.
func watch[M change](
	c *connection, cmd *cobra.Command, f *watchFlags,
	open func(ctx context.Context, conn grpc.ClientConnInterface, revision string) (stream[M], error), show func(M) (bool, error),
) (err error) {
	if err := f.read(); err != nil {
		return err
	}
	ctx, conn, err := c.open(cmd.Context())
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, conn.Close()) }()
	for {
		before := f.revision
		done, err := follow(ctx, f, func(ctx context.Context) (stream[M], error) { return open(ctx, conn, f.revision) }, show)
		switch {
		case cmd.Context().Err() != nil || (done && err == nil):
			return nil // as the user asked
		case err != nil:
			return err
		case before == f.revision:
			return errors.New("the server ends the watch at once; try again later")
		}
	}
}

// follow shows one stream's changes to its end; done tells that no more are wanted.
func follow[M change](ctx context.Context, f *watchFlags, open func(ctx context.Context) (stream[M], error), show func(M) (bool, error)) (done bool, err error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	changes, err := open(ctx)
	if err != nil {
		return false, err
	}
	for {
		m, err := changes.Recv()
		if errors.Is(err, io.EOF) {
			return false, nil
		}
		if err != nil {
			return false, err
		}
		all, err := show(m)
		if err != nil {
			return false, err
		}
		f.revision = m.GetRevision()
		if err := f.keep(); err != nil {
			return false, err
		}
		if f.once && all {
			return true, nil
		}
	}
}

// read takes the place from the file, if there is one.
func (f *watchFlags) read() error {
	if f.resume == "" {
		return nil
	}
	if f.revision != "" {
		return usageError{errors.New("--revision and --resume both say where to go on; give one of them")}
	}
	raw, err := os.ReadFile(f.resume)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("read the place: %w", err)
	}
	f.revision = strings.TrimSpace(string(raw))
	return nil
}

// keep writes the place into the file, whole: a change that was shown is not shown
// again, unless the program dies between the two.
func (f *watchFlags) keep() error {
	if f.resume == "" {
		return nil
	}
	file, err := os.CreateTemp(filepath.Dir(f.resume), ".place-*")
	if err != nil {
		return fmt.Errorf("keep the place: %w", err)
	}
	defer func() { _ = os.Remove(file.Name()) }() // gone where the rename succeeded
	_, err = file.WriteString(f.revision + "\n")
	if err = errors.Join(err, file.Close()); err != nil {
		return fmt.Errorf("keep the place: %w", err)
	}
	if err := os.Rename(file.Name(), f.resume); err != nil {
		return fmt.Errorf("keep the place: %w", err)
	}
	return nil
}
