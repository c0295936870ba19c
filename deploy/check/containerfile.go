package check

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/moby/buildkit/frontend/dockerfile/instructions"
	"github.com/moby/buildkit/frontend/dockerfile/parser"
)

// nobody is the user and group that containers run as: a number without a name on
// any usual system, as the images without a distribution have it.
const nobody = "65532:65532"

// execForm begins a health check that needs no shell.
const execForm = "CMD"

// Containerfile says what is wrong with the text of a Containerfile: it must be one
// that BuildKit reads without a warning, end in a stage that holds nothing but what an
// earlier one built, and run as nobody.
func Containerfile(text []byte) error {
	parsed, err := parser.Parse(bytes.NewReader(text))
	if err != nil {
		return fmt.Errorf("read it: %w", err)
	}
	var faults []error
	for _, warning := range parsed.Warnings {
		faults = append(faults, fmt.Errorf("warning: %s", warning.Short))
	}
	stages, _, err := instructions.Parse(parsed.AST, nil)
	if err != nil {
		return errors.Join(append(faults, fmt.Errorf("read it: %w", err))...)
	}
	if len(stages) < 2 {
		return errors.Join(append(faults, fmt.Errorf("%d stages; expected one that builds and one that is shipped", len(stages)))...)
	}
	for _, stage := range stages[:len(stages)-1] {
		faults = append(faults, pinned(stage.BaseName)...)
	}
	return errors.Join(append(faults, shipped(stages[len(stages)-1])...)...)
}

// pinned demands a base with a version that is no moving name.
func pinned(base string) []error {
	_, tag, ok := strings.Cut(base, ":")
	if !ok || tag == "latest" || !strings.ContainsAny(tag, "0123456789") {
		return []error{fmt.Errorf("the base %q names no version", base)}
	}
	return nil
}

// final is what the stage that is shipped says.
type final struct {
	user       string
	entrypoint []string
	health     []string
	faults     []error
}

// shipped looks at the last stage.
func shipped(stage instructions.Stage) []error {
	f := &final{}
	if stage.BaseName != "scratch" {
		f.refusef("the last stage begins with %q; expected scratch, which holds nothing", stage.BaseName)
	}
	for _, command := range stage.Commands {
		f.take(command)
	}
	if f.user != nobody {
		f.refusef("it runs as %q; expected USER %s", f.user, nobody)
	}
	if len(f.entrypoint) == 0 || !strings.HasPrefix(f.entrypoint[0], "/") {
		f.refusef("its entrypoint is %q; expected a program by its full path", f.entrypoint)
	}
	if len(f.health) < 2 || f.health[0] != execForm || !slices.Contains(f.health, "health") {
		f.refusef("its health check is %q; expected the program's own health command, without a shell", f.health)
	}
	return f.faults
}

func (f *final) refusef(format string, args ...any) {
	f.faults = append(f.faults, fmt.Errorf(format, args...))
}

// take looks at one instruction of the last stage.
func (f *final) take(command instructions.Command) {
	switch c := command.(type) {
	case *instructions.RunCommand:
		f.refusef("the last stage runs %q; it has nothing to run it with", c.CmdLine)
	case *instructions.AddCommand:
		f.refusef("ADD fetches and unpacks; expected COPY")
	case *instructions.CopyCommand:
		if c.From == "" {
			f.refusef("COPY %v takes from the source tree; expected --from the stage that builds", c.SourcePaths)
		}
	case *instructions.UserCommand:
		f.user = c.User
	case *instructions.EntrypointCommand:
		f.entrypoint = c.CmdLine
		if c.PrependShell {
			f.refusef("ENTRYPOINT needs a shell; expected a JSON list")
		}
	case *instructions.CmdCommand:
		if c.PrependShell {
			f.refusef("CMD needs a shell; expected a JSON list")
		}
	case *instructions.HealthCheckCommand:
		f.health = c.Health.Test
	case *instructions.EnvCommand:
		for _, pair := range c.Env {
			if secret(pair.Key) {
				f.refusef("ENV %s would put a secret into the image", pair.Key)
			}
		}
	}
}

// secret tells whether a variable's name is that of a secret.
func secret(name string) bool {
	name = strings.ToUpper(name)
	return slices.ContainsFunc([]string{"PASSWORD", "SECRET", "TOKEN", "_KEY"}, func(part string) bool { return strings.Contains(name, part) }) ||
		name == "KEY"
}

// StartCommand is what an image runs where nothing else is said: the entrypoint and
// CMD of the last stage.
func StartCommand(text []byte) ([]string, error) {
	parsed, err := parser.Parse(bytes.NewReader(text))
	if err != nil {
		return nil, fmt.Errorf("read it: %w", err)
	}
	entry := make([]string, 0, 8)
	var command []string
	for _, node := range parsed.AST.Children {
		var into *[]string
		switch strings.ToUpper(node.Value) {
		case "ENTRYPOINT":
			into = &entry
		case "CMD":
			into = &command
		default:
			continue
		}
		_, list, _ := strings.Cut(node.Original, " ")
		if err := json.Unmarshal([]byte(list), into); err != nil {
			return nil, fmt.Errorf("%s: %w", node.Value, err)
		}
	}
	return append(entry, command...), nil
}
