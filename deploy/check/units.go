package check

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
)

// exposure is how exposed a unit may be at most, in tenths of what systemd-analyze
// counts to 10: it rates 9.6 what says nothing, and below 2 "OK". What remains of ours
// is that they need the machine's network and are not in a root of their own.
const exposure = "10"

// programs are those that units run, as they are installed.
var programs = []string{"/usr/bin/beltwright", "/usr/bin/fitment", "/usr/bin/quote"}

// demanded are the lines that every unit has. systemd-analyze weighs most of them, but
// lets one go where others make up for it.
var demanded = []string{
	"AmbientCapabilities=", "CapabilityBoundingSet=", "DevicePolicy=closed", "IPAddressAllow=localhost", "IPAddressDeny=any",
	"KeyringMode=private", "LimitCORE=0", "LockPersonality=yes", "MemoryDenyWriteExecute=yes", "NoNewPrivileges=yes",
	"PrivateDevices=yes", "PrivateMounts=yes", "PrivateTmp=yes", "PrivateUsers=yes", "ProcSubset=pid", "ProtectClock=yes",
	"ProtectControlGroups=yes", "ProtectHome=yes", "ProtectHostname=yes", "ProtectKernelLogs=yes", "ProtectKernelModules=yes",
	"ProtectKernelTunables=yes", "ProtectProc=invisible", "ProtectSystem=strict", "RemoveIPC=yes", "Restart=on-failure",
	"RestrictAddressFamilies=AF_INET AF_INET6", "RestrictNamespaces=yes", "RestrictRealtime=yes", "RestrictSUIDSGID=yes",
	"SystemCallArchitectures=native", "SystemCallFilter=@system-service", "SystemCallFilter=~@privileged @resources", "UMask=0077",
}

// Root makes a root directory as an installed machine has it: systemd's own units,
// ours, and something in place of each program. Units are their names and texts.
func Root(dir string, units map[string]string) error {
	own := filepath.Join(dir, "lib", "systemd", "system")
	if err := os.CopyFS(own, os.DirFS(systemUnits())); err != nil {
		return fmt.Errorf("copy systemd's units: %w", err)
	}
	for _, program := range programs {
		if err := write(filepath.Join(dir, program), "#!/bin/sh\n", 0o755); err != nil {
			return err
		}
	}
	for name, text := range units {
		if err := write(filepath.Join(dir, "etc", "systemd", "system", name), text, 0o644); err != nil {
			return err
		}
	}
	return nil
}

// systemUnits is where the machine has systemd's own units.
func systemUnits() string {
	for _, dir := range []string{"/usr/lib/systemd/system", "/lib/systemd/system"} {
		if _, err := os.Stat(filepath.Join(dir, "sysinit.target")); err == nil {
			return dir
		}
	}
	return "/usr/lib/systemd/system"
}

func write(path, text string, mode os.FileMode) error {
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil { //nolint:gosec // as on an installed machine
		return err
	}
	return os.WriteFile(path, []byte(text), mode)
}

// Unit says what is wrong with a unit in a root: systemd-analyze must have nothing to
// say about it (it warns of keys that it does not know, and ends without an error), and
// must not find it more exposed than ours are.
func Unit(ctx context.Context, root, name string) error {
	path := "/etc/systemd/system/" + name
	said, err := analyze(ctx, "--root="+root, "--man=no", "verify", path)
	if err != nil || len(said) > 0 {
		return fmt.Errorf("systemd-analyze verify: %w\n%s", errors.Join(err, errSpoke), said)
	}
	said, err = analyze(ctx, "--root="+root, "--offline=yes", "--no-pager", "--threshold="+exposure, "security", path)
	if err != nil {
		return fmt.Errorf("systemd-analyze security: more exposed than %s tenths: %w\n%s", exposure, err, said)
	}
	text, err := os.ReadFile(filepath.Join(root, path)) //nolint:gosec // in a root that we made
	if err != nil {
		return err
	}
	lines := strings.Split(string(text), "\n")
	var missing []error
	for _, line := range demanded {
		if !slices.Contains(lines, line) {
			missing = append(missing, fmt.Errorf("%s is missing", line))
		}
	}
	return errors.Join(missing...)
}

var errSpoke = errors.New("it has something to say")

func analyze(ctx context.Context, args ...string) ([]byte, error) {
	command := exec.CommandContext(ctx, "systemd-analyze", args...) //nolint:gosec // a root and units of ours
	command.Env = append(os.Environ(), "SYSTEMD_COLORS=0", "SYSTEMD_EMOJI=0")
	said, err := command.CombinedOutput()
	return bytes.TrimSpace(said), err
}

// ExecStart is the command line of a unit's text.
func ExecStart(unit string) []string {
	joined := strings.ReplaceAll(unit, "\\\n", " ")
	for line := range strings.Lines(joined) {
		if command, ok := strings.CutPrefix(line, "ExecStart="); ok {
			return strings.Fields(command)
		}
	}
	return nil
}
