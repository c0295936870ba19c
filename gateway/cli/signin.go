package cli

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/auth"
)

// signedIn is what sign-in keeps for the commands after it. It is used for the server
// that it came from and sent to no other.
type signedIn struct {
	Server     string    `json:"server"`
	Login      string    `json:"login"`
	Credential string    `json:"credential"`
	Expires    time.Time `json:"expires"`
}

// sessionPath is where it is kept.
func (c *connection) sessionPath() (string, error) {
	if c.sessionFile != "" {
		return c.sessionFile, nil
	}
	dir, err := os.UserConfigDir()
	if err != nil {
		return "", fmt.Errorf("where to keep the session: %w; name a file with --session-file", err)
	}
	return filepath.Join(dir, "beltwright", "session.json"), nil
}

// session reads the session kept for the server; false where there is none.
func (c *connection) session() (signedIn, bool, error) {
	path, err := c.sessionPath()
	if err != nil {
		return signedIn{}, false, nil //nolint:nilerr // nothing can be kept where there is no place for it
	}
	raw, err := os.ReadFile(path) //nolint:gosec // the user's own file
	if errors.Is(err, fs.ErrNotExist) {
		return signedIn{}, false, nil
	} else if err != nil {
		return signedIn{}, false, fmt.Errorf("read the session: %w", err)
	}
	var kept signedIn
	if err := json.Unmarshal(raw, &kept); err != nil {
		return signedIn{}, false, fmt.Errorf("%s holds something else than a session; remove it: %w", path, err)
	}
	return kept, kept.Server == c.server && kept.Credential != "", nil
}

// keepSession writes the file whole, readable by its owner only.
func (c *connection) keepSession(kept signedIn) error {
	path, err := c.sessionPath()
	if err != nil {
		return err
	}
	raw, err := json.Marshal(kept)
	if err != nil {
		return fmt.Errorf("keep the session: %w", err)
	}
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return fmt.Errorf("keep the session: %w", err)
	}
	file, err := os.CreateTemp(filepath.Dir(path), ".session-*") // mode 0600
	if err != nil {
		return fmt.Errorf("keep the session: %w", err)
	}
	defer func() { _ = os.Remove(file.Name()) }() // gone where the rename succeeded
	_, err = file.Write(append(raw, '\n'))
	if err = errors.Join(err, file.Close()); err != nil {
		return fmt.Errorf("keep the session: %w", err)
	}
	if err := os.Rename(file.Name(), path); err != nil {
		return fmt.Errorf("keep the session: %w", err)
	}
	return nil
}

func (c *connection) forgetSession() error {
	path, err := c.sessionPath()
	if err != nil {
		return err
	}
	if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("forget the session: %w", err)
	}
	return nil
}

func signInCommand(c *connection) *cobra.Command {
	var secret passwordFlag
	cmd := &cobra.Command{
		Use: "sign-in LOGIN", Short: "Sign in as a person",
		Long: `Sign-in asks for the password of LOGIN, which is PERSON@BUSINESS, and keeps the
session's credential in a file that only you can read (--session-file). The commands
after it act as that person, on this server only, until the session ends after 12
hours or you sign out. A key that you name counts more.`,
		Example: "  beltwright sign-in jo@kettlewick\n  beltwright sign-in jo@kettlewick --password-file jo.password",
		Args:    arguments("LOGIN"),
		RunE: func(cmd *cobra.Command, args []string) (err error) {
			password, err := secret.read(cmd, "Password: ")
			if err != nil {
				return err
			}
			conn, err := c.dial()
			if err != nil {
				return err
			}
			defer func() { err = errors.Join(err, conn.Close()) }()
			ctx, cancel := context.WithTimeout(cmd.Context(), c.timeout)
			defer cancel()
			answer, err := fitmentv1.NewIdentityServiceClient(conn).SignIn(ctx, &fitmentv1.SignInRequest{Login: args[0], Password: password})
			if err != nil {
				return err
			}
			ends := answer.GetSession().GetExpireTime().AsTime()
			if err := c.keepSession(signedIn{Server: c.server, Login: args[0], Credential: answer.GetCredential(), Expires: ends}); err != nil {
				return err
			}
			answer.Credential = "" // it is in the file, and nowhere on a screen
			return c.print(cmd, answer, func(p *printer) {
				p.linef("signed in as %s on %s until %s", args[0], c.server, localTime(ends))
			})
		},
	}
	secret.bind(cmd, "password-file")
	return cmd
}

func signOutCommand(c *connection) *cobra.Command {
	return &cobra.Command{
		Use: "sign-out", Short: "End the session that sign-in began",
		Long:    "Sign-out ends the session on the server, and forgets it here in any case.",
		Example: "  beltwright sign-out",
		Args:    noArguments,
		RunE: func(cmd *cobra.Command, _ []string) (err error) {
			kept, ok, err := c.session()
			if err != nil {
				return err
			}
			if !ok {
				return fmt.Errorf("nobody is signed in on %s from here", c.server)
			}
			conn, err := c.dial()
			if err != nil {
				return err
			}
			defer func() { err = errors.Join(err, conn.Close()) }()
			ctx, cancel := context.WithTimeout(auth.WithKey(cmd.Context(), kept.Credential), c.timeout)
			defer cancel()
			answer, err := fitmentv1.NewIdentityServiceClient(conn).SignOut(ctx, &fitmentv1.SignOutRequest{})
			if apierr.ReasonOf(err) == fitmentv1.ErrorInfo_CREDENTIAL_INVALID {
				err = nil // it has ended already, which is what was asked for
			}
			if err := errors.Join(err, c.forgetSession()); err != nil {
				return err
			}
			return c.print(cmd, answer, func(p *printer) { p.linef("%s is signed out", kept.Login) })
		},
	}
}

// passwordFlag is where a password comes from: a file, or somebody who types it.
type passwordFlag struct{ file, name string }

func (f *passwordFlag) bind(cmd *cobra.Command, name string) {
	f.name = name
	cmd.Flags().StringVar(&f.file, name, "", "`file` with the password, one line; without it you are asked")
}

// read returns the password. Nothing of it is shown while it is typed, and it is no
// argument of a command, which everybody on the machine could read.
func (f *passwordFlag) read(cmd *cobra.Command, prompt string) (string, error) {
	if f.file != "" {
		text, err := readSecretFile(f.file)
		if err != nil {
			return "", fmt.Errorf("--%s: %w", f.name, err)
		}
		return text, nil
	}
	in, ok := cmd.InOrStdin().(*os.File)
	if !ok || !term.IsTerminal(int(in.Fd())) {
		return "", usageError{fmt.Errorf("there is no terminal to ask for the password at; give --%s FILE", f.name)}
	}
	_, _ = fmt.Fprint(cmd.ErrOrStderr(), prompt)
	raw, err := term.ReadPassword(int(in.Fd()))
	_, _ = fmt.Fprintln(cmd.ErrOrStderr())
	if err != nil {
		return "", fmt.Errorf("read the password: %w", err)
	}
	return string(raw), nil
}

// readNew reads a password that is to be set, twice where it is typed.
func (f *passwordFlag) readNew(cmd *cobra.Command) (string, error) {
	first, err := f.read(cmd, "New password: ")
	if err != nil || f.file != "" {
		return first, err
	}
	second, err := f.read(cmd, "The same again: ")
	if err != nil {
		return "", err
	}
	if first != second {
		return "", errors.New("the two were not the same; nothing was changed")
	}
	return first, nil
}
