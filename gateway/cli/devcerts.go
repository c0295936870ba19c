package cli

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"beltwright.example/services/platform/mtls"
	"beltwright.example/services/platform/mtls/authority"
)

// caKeyFile is the authority's key, beside its certificate.
const caKeyFile = "ca-key.pem"

// How long certificates are valid where nothing else is said. The short time is
// the point: replacing them needs no restart, and one that was lost ends soon.
const (
	defaultCertDays = 90
	defaultCADays   = 365
	maxCertDays     = 3650
)

// devcertsFlags say what certificates are made.
type devcertsFlags struct {
	out           string
	names, hosts  []string
	days, caDays  int
	force, renew  bool
	now           func() time.Time
	hostsFromUser bool
}

func devcertsCommand() *cobra.Command {
	f := devcertsFlags{now: time.Now}
	cmd := &cobra.Command{
		Use:   "devcerts",
		Short: "Make an authority of your own and a certificate for each program",
		Long: `Devcerts makes certificates for development and for a small installation on machines
of your own: an authority (ca.pem, ca-key.pem) and, for each name, a folder with
ca.pem, cert.pem and key.pem, as --tls takes it. Each certificate says who a program
is (spiffe://beltwright/NAME). The certificate of any of them can also serve HTTPS
(--http-cert, --http-key) for the hosts given here.

With --renew the authority stays and the certificates are made anew; programs that
run take them up by themselves. With --force everything is made anew, and programs
that run on the old ones can no longer talk to those on the new ones.

Whoever has ca-key.pem can be any program to all others: keep it off the machines
that only serve. The authority can vouch for no other hosts than those given when it
was made; further names can be added with --renew --name NAME.`,
		Example: "  beltwright devcerts --out certs\n  beltwright devcerts --out certs --host yard-pc.lan --host 192.168.1.20\n  beltwright devcerts --out certs --renew",
		Args:    noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			f.hostsFromUser = cmd.Flags().Changed("host")
			p := &printer{out: cmd.OutOrStdout()}
			if err := f.run(p); err != nil {
				return err
			}
			return p.err
		},
	}
	flags := cmd.Flags()
	flags.StringVar(&f.out, "out", "certs", "`directory` to write to")
	flags.StringSliceVar(&f.names, "name", []string{mtls.Gateway, mtls.Fitment, mtls.Quote, mtls.AllInOne, mtls.Client}, "`names` to make certificates for")
	flags.StringSliceVar(&f.hosts, "host", []string{"localhost", "127.0.0.1", "::1"}, "`hosts` where programs are reached, names or addresses")
	flags.IntVar(&f.days, "days", defaultCertDays, "`days` that certificates are valid")
	flags.IntVar(&f.caDays, "ca-days", defaultCADays, "`days` that the authority is valid")
	flags.BoolVar(&f.force, "force", false, "replace an authority and certificates that are there")
	flags.BoolVar(&f.renew, "renew", false, "make certificates anew under the authority that is there")
	return cmd
}

// check refuses what cannot be made.
func (f *devcertsFlags) check() error {
	switch {
	case f.force && f.renew:
		return usageError{errors.New("--force makes a new authority and --renew keeps the one that is there; give one of them")}
	case f.days < 1 || f.caDays > maxCertDays || f.days > f.caDays:
		return usageError{fmt.Errorf("--days %d and --ca-days %d: expected 1 day at least, the authority's no fewer than the certificates' and %d at most", f.days, f.caDays, maxCertDays)}
	case len(f.names) == 0:
		return usageError{errors.New("--name is empty; expected names such as gateway,fitment,quote")}
	}
	for _, name := range f.names {
		if err := mtls.CheckName(name); err != nil {
			return usageError{fmt.Errorf("--name: %w", err)}
		}
	}
	return nil
}

func (f *devcertsFlags) run(p *printer) error {
	if err := f.check(); err != nil {
		return err
	}
	hosts, err := authority.ParseHosts(f.hosts)
	if err != nil {
		return usageError{fmt.Errorf("--host: %w", err)}
	}
	ca, err := f.authority(hosts)
	if err != nil {
		return err
	}
	now := f.now()
	if f.renew && !f.hostsFromUser {
		hosts = ca.Hosts()
	}
	for _, name := range f.names {
		// A certificate that is renewed shortly before its authority ends, ends with it.
		validFor := min(time.Duration(f.days)*24*time.Hour, ca.Expires().Sub(now))
		certificate, key, err := ca.Issue(authority.For(name, hosts, now, validFor))
		if err != nil {
			return err
		}
		dir := filepath.Join(f.out, name)
		if err := os.MkdirAll(dir, 0o700); err != nil {
			return err
		}
		for _, file := range []certFile{
			{mtls.CAFile, ca.CertificatePEM(), 0o644}, {mtls.KeyFile, key, 0o600}, {mtls.CertFile, certificate, 0o644},
		} {
			if err := file.write(dir); err != nil {
				return err
			}
		}
		p.linef("%s  until %s", filepath.Join(dir, mtls.CertFile), now.Add(validFor).UTC().Format(time.DateOnly))
	}
	p.linef("%s  until %s; its key is %s", filepath.Join(f.out, mtls.CAFile), ca.Expires().UTC().Format(time.DateOnly), filepath.Join(f.out, caKeyFile))
	return nil
}

// authority reads the authority that is there, or makes one where none is.
func (f *devcertsFlags) authority(hosts authority.Hosts) (*authority.Authority, error) {
	certPath, keyPath := filepath.Join(f.out, mtls.CAFile), filepath.Join(f.out, caKeyFile)
	if f.renew {
		certificate, err := os.ReadFile(certPath) //nolint:gosec // the user named the directory
		if err != nil {
			return nil, fmt.Errorf("--renew: no authority can be read in %s: %w", f.out, err)
		}
		key, err := os.ReadFile(keyPath) //nolint:gosec // the user named the directory
		if err != nil {
			return nil, fmt.Errorf("--renew: %w", err)
		}
		ca, err := authority.Load(certificate, key)
		if err == nil && !f.now().Before(ca.Expires()) {
			err = fmt.Errorf("the authority ended at %s; make a new one with --force", ca.Expires().Format(time.RFC3339))
		}
		return ca, err
	}
	if err := f.mayWrite(); err != nil {
		return nil, err
	}
	ca, err := authority.New(f.now(), time.Duration(f.caDays)*24*time.Hour, hosts)
	if err != nil {
		return nil, err
	}
	key, err := ca.KeyPEM()
	if err != nil {
		return nil, err
	}
	if err := os.MkdirAll(f.out, 0o700); err != nil {
		return nil, err
	}
	return ca, errors.Join(certFile{caKeyFile, key, 0o600}.write(f.out), certFile{mtls.CAFile, ca.CertificatePEM(), 0o644}.write(f.out))
}

// mayWrite refuses to replace anything that nobody said may go.
func (f *devcertsFlags) mayWrite() error {
	if f.force {
		return nil
	}
	paths := []string{filepath.Join(f.out, mtls.CAFile), filepath.Join(f.out, caKeyFile)}
	for _, name := range f.names {
		for _, file := range []string{mtls.CAFile, mtls.CertFile, mtls.KeyFile} {
			paths = append(paths, filepath.Join(f.out, name, file))
		}
	}
	var there []string
	for _, path := range paths {
		switch _, err := os.Lstat(path); {
		case err == nil:
			there = append(there, path)
		case !errors.Is(err, fs.ErrNotExist):
			return err
		}
	}
	if len(there) > 0 {
		return fmt.Errorf("already there: %s; --renew keeps the authority and makes certificates anew, --force replaces everything", strings.Join(there, ", "))
	}
	return nil
}

// certFile is a file to write whole.
type certFile struct {
	name string
	raw  []byte
	mode fs.FileMode
}

// write replaces the file in one step, so that a program that reads it sees the
// old one or the new one.
func (c certFile) write(dir string) error {
	temporary, err := os.CreateTemp(dir, "."+c.name+"-*") // mode 0600
	if err != nil {
		return err
	}
	defer func() { _ = os.Remove(temporary.Name()) }() // gone where the rename succeeded
	_, err = temporary.Write(c.raw)
	if err = errors.Join(err, temporary.Chmod(c.mode), temporary.Sync(), temporary.Close()); err != nil {
		return err
	}
	return os.Rename(temporary.Name(), filepath.Join(dir, c.name))
}
