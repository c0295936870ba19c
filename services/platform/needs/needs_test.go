package needs_test

import (
	"fmt"
	"os"
	"strings"
	"syscall"
	"testing"

	"beltwright.example/services/platform/needs"
)

// ended is what a watched test does when it ends.
type ended string

// watched notes how a test ended.
type watched struct {
	testing.TB
}

func (watched) Helper() {}

func (watched) Skipf(format string, args ...any) {
	panic(ended("skip: " + fmt.Sprintf(format, args...))) //nolint:forbidigo // Skipf does not return
}

func (watched) Fatalf(format string, args ...any) {
	panic(ended("fatal: " + fmt.Sprintf(format, args...))) //nolint:forbidigo // Fatalf does not return
}

// outcome runs a test and returns how it ended; "" where it went on.
func outcome(run func(tb testing.TB)) (text string) {
	defer func() {
		if end, ok := recover().(ended); ok {
			text = string(end)
		}
	}()
	run(watched{})
	return ""
}

func TestWhatIsMissingFailsUnderCI(t *testing.T) { //nolint:paralleltest // sets the environment for all cases
	for _, c := range []struct{ ci, may, want string }{
		{"", "", "skip: powercut needs no-such-tool"},
		{"true", "", "fatal: powercut needs no-such-tool; install it, or name powercut in BELTWRIGHT_MAY_SKIP"},
		{"true", "other,powercutting", "fatal: powercut needs no-such-tool"},
		{"true", "other,powercut", "skip: powercut needs no-such-tool"},
		{"false", "", "skip: powercut needs no-such-tool"},
	} {
		t.Setenv(needs.CI, c.ci)
		t.Setenv(needs.MaySkip, c.may)
		got := outcome(func(tb testing.TB) { needs.Tools(tb, "powercut", "go", "no-such-tool") }) //nolint:thelper // this is the test that is watched
		if !strings.HasPrefix(got, c.want) {
			t.Errorf("CI=%s, may skip %q: %s, want %s", c.ci, c.may, got, c.want)
		}
		root := outcome(func(tb testing.TB) { needs.Root(tb, "powercut") }) //nolint:thelper // this is the test that is watched
		if want := strings.ReplaceAll(c.want, "no-such-tool", "root"); (root == "") != (os.Geteuid() == 0) || root != "" && !strings.HasPrefix(root, want) {
			t.Errorf("CI=%s, may skip %q: root: %s", c.ci, c.may, root)
		}
	}
}

func TestWhatTheMachineCannotDoIsSkipped(t *testing.T) {
	t.Setenv(needs.CI, "true")
	t.Setenv(needs.MaySkip, "")
	for want, err := range map[string]error{
		"":                            nil,
		"skip: powercut needs mounts": fmt.Errorf("mount: %w", syscall.EPERM),
		"fatal: powercut: mounts: ":   fmt.Errorf("mount: %w", syscall.EIO),
	} {
		got := outcome(func(tb testing.TB) { needs.Capable(tb, "powercut", "mounts", err) }) //nolint:thelper // this is the test that is watched
		if !strings.HasPrefix(got, want) || want == "" && got != "" {
			t.Errorf("%v: %s, want %s", err, got, want)
		}
	}
	for _, errno := range []error{syscall.EPERM, syscall.ENOTTY, syscall.ENOSYS} {
		if !needs.Cannot(fmt.Errorf("wrapped: %w", errno)) {
			t.Errorf("%v does not count", errno)
		}
	}
}
