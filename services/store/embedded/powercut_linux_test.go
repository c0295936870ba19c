package embedded_test

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"unsafe"

	"golang.org/x/sys/unix"

	"beltwright.example/services/platform/needs"
	"beltwright.example/services/store/embedded"
)

// TestPowerCut cuts the power of a file system under a writing process: an ext4
// image whose journal would be written only every 1,000 s by itself is shut down
// without flushing (the EXT4_IOC_SHUTDOWN request with EXT4_GOING_FLAGS_NOLOGFLUSH,
// Linux fs/ext4), and what was not fsynced is gone. The control leaves out every
// fsync and must lose acknowledged writes; otherwise the cut cuts nothing.
func TestPowerCut(t *testing.T) {
	t.Parallel()
	disk := newDisk(t)
	rounds := long(5, 50)
	for _, control := range []bool{false, true} {
		missing, total, broken := 0, 0, 0
		for round := range rounds {
			m, n, err := disk.cut(t, round, control)
			missing, total = missing+m, total+n
			if err != nil {
				broken++
				if !control {
					t.Errorf("round %d: %v", round, err)
				}
			}
		}
		t.Logf("control %t: %d of %d acknowledged changes lost, %d of %d stores broken", control, missing, total, broken, rounds)
		if !control && missing > 0 {
			t.Errorf("%d of %d acknowledged changes are lost", missing, total)
		}
		if control && missing == 0 {
			t.Errorf("the control without fsync lost none of %d changes: this test shows nothing", total)
		}
	}
}

// TestPowerCutWhileTheStoreIsMade cuts in the first moments of a new directory:
// whatever is left can be opened.
func TestPowerCutWhileTheStoreIsMade(t *testing.T) {
	t.Parallel()
	disk := newDisk(t)
	for round := range long(5, 50) {
		disk.mount(t)
		dir := filepath.Join(disk.at, fmt.Sprint("new", round))
		if round > 0 {
			// What an earlier cut left of a file that was being made.
			if err := os.MkdirAll(dir, 0o700); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(filepath.Join(dir, "store.db.new"), make([]byte, round*3000), 0o600); err != nil {
				t.Fatal(err)
			}
		}
		c := startChild(t, dir, "n", false)
		var acks acknowledged
		if round%2 == 0 {
			c.read(t, &acks, 1)
		}
		disk.shutdown(t)
		c.kill(t, &acks)
		disk.unmount(t)
		disk.mount(t)
		s, err := embedded.Open(dir, embedded.Options{})
		if err != nil {
			t.Fatalf("round %d: %v", round, err)
		}
		if missing, all := lost(t, s, acks); missing > 0 {
			t.Errorf("round %d: %d of %d acknowledged changes are lost", round, missing, all)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		disk.unmount(t)
	}
}

// disk is a file system whose power can be cut.
type disk struct {
	image, at string
	mounted   bool
}

// powercut is the name of these tests for package needs.
const powercut = "powercut"

// newDisk makes one, where the machine has and allows what that takes; see
// package needs.
func newDisk(t *testing.T) *disk {
	t.Helper()
	needs.Root(t, powercut)
	needs.Tools(t, powercut, "mkfs.ext4", "mount", "umount")
	needs.Capable(t, powercut, "loop devices", loopDevices())
	dir := t.TempDir()
	d := &disk{image: filepath.Join(dir, "disk.img"), at: filepath.Join(dir, "mnt")}
	f, err := os.Create(d.image)
	if err != nil {
		t.Fatal(err)
	}
	if err := f.Truncate(128 << 20); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	if err := os.Mkdir(d.at, 0o700); err != nil {
		t.Fatal(err)
	}
	command(t, "mkfs.ext4", "-q", "-F", d.image)
	needs.Capable(t, powercut, "mounting an ext4 image", tryMount(t, d.image, d.at))
	d.mounted = true
	t.Cleanup(func() {
		if d.mounted {
			d.unmount(t)
		}
	})
	err = d.cutPower()
	d.unmount(t)
	needs.Capable(t, powercut, "a kernel that can shut down ext4", err)
	return d
}

// loopDevices asks the kernel for a free loop device.
func loopDevices() error {
	f, err := os.OpenFile("/dev/loop-control", os.O_RDWR, 0)
	if err != nil {
		return err
	}
	_, err = unix.IoctlRetInt(int(f.Fd()), unix.LOOP_CTL_GET_FREE)
	return errors.Join(err, f.Close())
}

// tryMount mounts for the first time. Mount(8) has one exit code for all that
// the kernel refuses, so its words are read for those that mean "not here".
func tryMount(t *testing.T, image, at string) error {
	t.Helper()
	mount := exec.CommandContext(t.Context(), "mount", "-o", "loop,commit=1000", image, at)
	mount.Env = append(os.Environ(), "LC_ALL=C")
	out, err := mount.CombinedOutput()
	if err == nil {
		return nil
	}
	for words, errno := range map[string]error{
		"permission denied": unix.EPERM, "not permitted": unix.EPERM, "unknown filesystem type": unix.ENODEV,
		"failed to setup loop device": unix.ENODEV, "No such device": unix.ENODEV, "cannot find an unused loop device": unix.ENODEV,
	} {
		if strings.Contains(string(out), words) {
			err = errors.Join(err, errno)
		}
	}
	return fmt.Errorf("%w: %s", err, out)
}

// cut lets a writer run into a power cut and returns how many of its
// acknowledged changes are lost, and why the store could not be opened, if so.
func (d *disk) cut(t *testing.T, round int, noSync bool) (missing, total int, err error) {
	t.Helper()
	d.mount(t)
	dir := filepath.Join(d.at, fmt.Sprintf("store-%t", noSync))
	if noSync {
		dir = filepath.Join(dir, fmt.Sprint(round)) // a broken one is left behind
	}
	var acks acknowledged
	c := startChild(t, dir, fmt.Sprint("p", round), noSync)
	c.read(t, &acks, 200+round*37)
	d.shutdown(t)
	c.kill(t, &acks)
	d.unmount(t)
	d.mount(t)
	defer d.unmount(t)
	if len(acks.names) == 0 {
		t.Fatal("the child acknowledged nothing")
	}
	if _, err := embedded.Check(dir); err != nil {
		return len(acks.names), len(acks.names), err
	}
	s, err := embedded.Open(dir, embedded.Options{})
	if err != nil {
		return len(acks.names), len(acks.names), err
	}
	missing, total = lost(t, s, acks)
	return missing, total, s.Close()
}

func (d *disk) mount(t *testing.T) {
	t.Helper()
	command(t, "mount", "-o", "loop,commit=1000", d.image, d.at)
	d.mounted = true
}

func (d *disk) unmount(t *testing.T) {
	t.Helper()
	command(t, "umount", d.at)
	d.mounted = false
}

func (d *disk) shutdown(t *testing.T) {
	t.Helper()
	if err := d.cutPower(); err != nil {
		t.Fatal(err)
	}
}

// cutPower makes the file system forget what is only in memory.
func (d *disk) cutPower() error {
	const (
		request    = 0x8004587d // _IOR('X', 125, __u32)
		noLogFlush = uint32(2)
	)
	f, err := os.Open(d.at)
	if err != nil {
		return err
	}
	flags := noLogFlush
	_, _, errno := unix.Syscall(unix.SYS_IOCTL, f.Fd(), request, uintptr(unsafe.Pointer(&flags)))
	if errno != 0 {
		return errors.Join(errno, f.Close())
	}
	return f.Close()
}

func command(t *testing.T, name string, args ...string) {
	t.Helper()
	// Not the test's context: unmounting runs at its end.
	if out, err := exec.Command(name, args...).CombinedOutput(); err != nil { //nolint:noctx // see above
		t.Fatalf("%s %v: %v: %s", name, args, err, out)
	}
}
