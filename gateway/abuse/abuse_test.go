package abuse_test

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"beltwright.example/services/platform/mtls"
)

// quick is a p99 that is not looked into, whatever it is elsewhere. By hand it is one
// that nobody complains about; in the checks, whose attacks are too short for a p99
// that means much, one at which something hangs.
func quick() time.Duration { return sizedTime(2*time.Second, 100*time.Millisecond) }

// TestProtocolAbuse attacks the whole program with everything, one after the other,
// while a bystander works on it. Each attack is run twice:
//
// First on a server without our limits, in another process, which must come to harm,
// or the attack shows nothing. The bystander works on ours meanwhile: how he fares
// then is how this machine is with the attacker at work and another server busy.
// Then on ours, which must come to none, and where he may wait twice as long at most.
//
// At the end the program has never had more memory than allowed.
func TestProtocolAbuse(t *testing.T) { //nolint:paralleltest // at full size times are measured
	if !long {
		t.Parallel() // the limits on times are wide then
	}
	if unraced(t) {
		return
	}
	startReal(t).holdsOut(t, attacks())
}

// TestProtocolAbuseByHTTPS does so where REST speaks HTTPS.
func TestProtocolAbuseByHTTPS(t *testing.T) { //nolint:paralleltest // at full size times are measured
	if !long {
		t.Parallel() // the limits on times are wide then
	}
	if unraced(t) {
		return
	}
	if err := build(); err != nil {
		t.Fatal(err)
	}
	certs := filepath.Join(t.TempDir(), "certs")
	made := exec.CommandContext(t.Context(), filepath.Join(binaries, "beltwright"), "devcerts", "--out", certs, "--name", "beltwright")
	if out, err := made.CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	raw, err := os.ReadFile(filepath.Join(certs, mtls.CAFile))
	if err != nil {
		t.Fatal(err)
	}
	trusted := x509.NewCertPool()
	trusted.AppendCertsFromPEM(raw)
	own := filepath.Join(certs, "beltwright")
	x := startReal(t, "--http-cert", filepath.Join(own, mtls.CertFile), "--http-key", filepath.Join(own, mtls.KeyFile))
	x.secure = &tls.Config{RootCAs: trusted, MinVersion: tls.VersionTLS13}
	x.holdsOut(t, webAttacks())
}

// holdsOut runs attacks one after the other.
func (x target) holdsOut(t *testing.T, all []attack) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), sizedTime(time.Second, 10*time.Second))
	before := x.watch(ctx)
	cancel()
	if len(before.failures) > 0 {
		t.Fatalf("the bystander fails before anything happened: %v", before.failures[0])
	}
	t.Logf("before: p99 %v of %d calls, %d MiB", before.p99().Round(time.Microsecond), len(before.took), x.peak())
	for _, a := range all {
		t.Run(a.name, func(t *testing.T) {
			ours, here, bare, elsewhere := x.compare(t, a, startBare(t, x.secure != nil))
			t.Logf("size %d: %v; without limits: %v", a.size(), ours, bare)
			t.Logf("bystander: p99 %v of %d calls, %d failed; while the other is attacked: %v of %d",
				here.p99().Round(time.Microsecond), len(here.took), len(here.failures), elsewhere.p99().Round(time.Microsecond), len(elsewhere.took))
			if bare.amount <= bare.bound {
				t.Errorf("the control came to no harm: %v", bare)
			}
			if ours.amount > ours.bound {
				t.Errorf("ours came to harm: %v", ours)
			}
			// Where all places are taken, who comes new waits, as has to be.
			if limit := max(2*elsewhere.p99(), quick()); here.p99() > limit && !a.crowd {
				t.Errorf("the bystander's p99 is %v, over %v", here.p99(), limit)
			}
			if len(here.failures) > 0 && !a.crowd {
				t.Errorf("%d of the bystander's %d calls failed, such as: %v", len(here.failures), len(here.took), here.failures[0])
			}
		})
	}
	got := x.peak()
	t.Logf("after: %d MiB at most", got)
	if got > memory {
		t.Errorf("the program had %d MiB resident, over %d", got, memory)
	}
}

// compare attacks the bare server and x, one after the other or both at once.
func (x target) compare(t *testing.T, a attack, other target) (ours harm, here experience, bare harm, elsewhere experience) {
	t.Helper()
	if !a.still {
		bare, elsewhere = x.during(t, a, other)
		ours, here = x.during(t, a, x)
		return ours, here, bare, elsewhere
	}
	var both sync.WaitGroup
	both.Go(func() { bare, elsewhere = x.during(t, a, other) })
	both.Go(func() { ours, here = x.during(t, a, x) })
	both.Wait()
	return ours, here, bare, elsewhere
}

// during attacks a victim while the bystander works on x.
func (x target) during(t *testing.T, a attack, victim target) (harm, experience) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Minute)
	defer cancel()
	watching, stop := context.WithCancel(ctx)
	fared := make(chan experience, 1)
	go func() { fared <- x.watch(watching) }()
	began := time.Now()
	got := a.run(ctx, victim, a.size())
	// By hand it goes on for a while, so that the bystander's p99 means something.
	for long && !a.still && time.Since(began) < 10*time.Second {
		if again := a.run(ctx, victim, a.size()); again.amount > got.amount {
			got = again
		}
	}
	stop()
	return got, <-fared
}
