package check

import (
	"context"
	"errors"
	"fmt"
	"net"
	"path/filepath"
	"slices"
	"strings"

	"github.com/compose-spec/compose-go/v2/loader"
	"github.com/compose-spec/compose-go/v2/types"
)

// gateway is the service that others reach.
const gateway = "gateway"

// Compose reads a compose file as the specification has it, which refuses what it does
// not know, and says what is wrong with it beyond that: the services that must be
// there, and for each that it can change nothing but its data, has no privilege and is
// reached by no more than it must.
func Compose(ctx context.Context, path string, text []byte) error {
	project, err := Project(ctx, path, text)
	if err != nil {
		return err
	}
	var faults []error
	for _, name := range []string{"fitment", "quote", gateway} {
		if _, ok := project.Services[name]; !ok {
			faults = append(faults, fmt.Errorf("there is no service %s", name))
		}
	}
	for _, name := range project.ServiceNames() {
		service := project.Services[name]
		for _, fault := range slices.Concat(confined(service), reached(service, project), certified(service), watched(service)) {
			faults = append(faults, fmt.Errorf("service %s: %w", name, fault))
		}
	}
	return errors.Join(faults...)
}

// Project reads a compose file.
func Project(ctx context.Context, path string, text []byte) (*types.Project, error) {
	project, err := loader.LoadWithContext(ctx, types.ConfigDetails{
		WorkingDir:  filepath.Dir(path),
		ConfigFiles: []types.ConfigFile{{Filename: path, Content: text}},
		Environment: types.Mapping{},
	})
	if err != nil {
		return nil, fmt.Errorf("read it: %w", err)
	}
	return project, nil
}

// confined demands that a service can do little to the machine and nothing to its own
// image.
func confined(s types.ServiceConfig) []error {
	var faults []error
	for what, good := range map[string]bool{
		"user is not " + nobody:                        s.User == nobody,
		"its root can be written (read_only)":          s.ReadOnly,
		"it keeps capabilities (cap_drop: [ALL])":      slices.Equal(s.CapDrop, []string{"ALL"}) && len(s.CapAdd) == 0,
		"it may gain privileges (no-new-privileges)":   slices.Contains(s.SecurityOpt, "no-new-privileges:true"),
		"it is privileged":                             !s.Privileged,
		"it shares the machine's processes":            s.Pid == "" && s.Ipc == "" && s.Uts == "" && s.UserNSMode == "",
		"it shares the machine's network":              s.NetworkMode == "",
		"it sees the machine's devices":                len(s.Devices) == 0 && len(s.DeviceCgroupRules) == 0,
		"its confinement is loosened (security_opt)":   len(s.SecurityOpt) == 1,
		"its processes have no bound (pids_limit)":     s.PidsLimit > 0,
		"its memory has no bound (mem_limit)":          s.MemLimit > 0,
		"it is not started again (restart)":            s.Restart == "unless-stopped" || s.Restart == "always",
		"its stop is too short to finish calls":        stopSeconds(s) >= 20,
		"/tmp is not a bounded tmpfs without programs": boundedTmp(s.Tmpfs),
	} {
		if !good {
			faults = append(faults, errors.New(what))
		}
	}
	for _, v := range s.Volumes {
		if v.Type != types.VolumeTypeBind {
			continue
		}
		if !v.ReadOnly {
			faults = append(faults, fmt.Errorf("it can write the machine's %s", v.Source))
		}
		if own := filepath.Join("certs", s.Name); !strings.HasSuffix(filepath.Clean(v.Source), string(filepath.Separator)+own) {
			faults = append(faults, fmt.Errorf("it sees the machine's %s; expected its own certificate's folder, %s", v.Source, own))
		}
	}
	for name := range s.Environment {
		if secret(name) {
			faults = append(faults, fmt.Errorf("the environment would hold a secret, %s", name))
		}
	}
	return faults
}

func stopSeconds(s types.ServiceConfig) float64 {
	if s.StopGracePeriod == nil {
		return 0
	}
	return float64(*s.StopGracePeriod) / 1e9
}

// boundedTmp demands one tmpfs, on /tmp, of a bounded size, that runs nothing.
func boundedTmp(list []string) bool {
	if len(list) != 1 {
		return false
	}
	target, options, _ := strings.Cut(list[0], ":")
	return target == "/tmp" && strings.Contains(options, "size=") && strings.Contains(options, "noexec") &&
		strings.Contains(options, "nosuid") && strings.Contains(options, "nodev")
}

// reached demands that ports are published on loopback alone, by the gateway alone,
// and that the services sit in a network that leads nowhere else.
func reached(s types.ServiceConfig, project *types.Project) []error {
	var faults []error
	for _, port := range s.Ports {
		if ip := net.ParseIP(port.HostIP); ip == nil || !ip.IsLoopback() {
			faults = append(faults, fmt.Errorf("port %d is published on %q; expected 127.0.0.1", port.Target, port.HostIP))
		}
		if s.Name != gateway {
			faults = append(faults, fmt.Errorf("port %d is published; only the gateway's is", port.Target))
		}
	}
	inside := false
	for name := range s.Networks {
		internal := project.Networks[name].Internal
		inside = inside || internal
		if !internal && s.Name != gateway {
			faults = append(faults, fmt.Errorf("network %s leads out", name))
		}
	}
	if !inside {
		faults = append(faults, errors.New("it is in no internal network"))
	}
	return faults
}

// certified demands that what listens beyond its own container does so by TLS, with a
// list of callers, and that what it calls it calls by TLS.
func certified(s types.ServiceConfig) []error {
	var faults []error
	if slices.ContainsFunc(s.Command, func(word string) bool { return strings.HasPrefix(strings.TrimLeft(word, "-"), "admin-anywhere") }) {
		faults = append(faults, errors.New("its admin port, which asks for no credential, leaves the container (--admin-anywhere)"))
	}
	tls := flag(s.Command, "tls")
	if tls == "" {
		faults = append(faults, errors.New("it has no certificate (--tls)"))
	}
	if s.Name == gateway {
		if flag(s.Command, "http-cert") == "" || flag(s.Command, "http-key") == "" {
			faults = append(faults, errors.New("REST is reached without HTTPS (--http-cert, --http-key)"))
		}
		return faults
	}
	if flag(s.Command, "allow") == "" {
		faults = append(faults, errors.New("it does not say who may call it (--allow)"))
	}
	return faults
}

// flag is the value of a flag in a command line, "" where it is not there.
func flag(command []string, name string) string {
	for i, word := range command {
		word = strings.TrimLeft(word, "-")
		if value, ok := strings.CutPrefix(word, name+"="); ok {
			return value
		}
		if word == name && i+1 < len(command) {
			return command[i+1]
		}
	}
	return ""
}

// watched demands a health check by the program's own command.
func watched(s types.ServiceConfig) []error {
	if s.HealthCheck == nil || s.HealthCheck.Disable {
		return []error{errors.New("nothing checks its health")}
	}
	test := s.HealthCheck.Test
	if len(test) < 3 || test[0] != execForm || test[2] != "health" {
		return []error{fmt.Errorf("its health check is %q; expected the program's own health command, without a shell", test)}
	}
	return nil
}
