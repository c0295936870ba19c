package abuse_test

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"crypto/tls"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net"
	"net/http"
	"net/http/pprof"
	"sync"
	"time"

	"golang.org/x/net/http2"
	"google.golang.org/grpc"
	"google.golang.org/grpc/encoding"
	_ "google.golang.org/grpc/encoding/gzip" // the bare server takes compressed messages
	"google.golang.org/grpc/keepalive"

	"beltwright.example/services/platform/mtls/authority"
)

// raw hands messages through as bytes.
type raw struct{}

// Marshal implements encoding.Codec.
func (raw) Marshal(v any) ([]byte, error) { return *v.(*[]byte), nil }

// Unmarshal implements encoding.Codec.
func (raw) Unmarshal(data []byte, v any) error {
	*v.(*[]byte) = data
	return nil
}

// Name implements encoding.Codec.
func (raw) Name() string { return "proto" }

var _ encoding.Codec = raw{}

// bareMain serves without any limit that a library does not insist on, until the
// process is killed: what a server is that nobody thought about.
func bareMain() {
	web, calls, naive := listenBare(), listenBare(), listenBare()
	server := grpc.NewServer(
		grpc.ForceServerCodec(raw{}), grpc.MaxRecvMsgSize(math.MaxInt32), grpc.MaxHeaderListSize(1<<30),
		grpc.KeepaliveEnforcementPolicy(keepalive.EnforcementPolicy{MinTime: time.Nanosecond, PermitWithoutStream: true}),
		grpc.UnknownServiceHandler(func(_ any, stream grpc.ServerStream) error {
			var message []byte
			err := stream.RecvMsg(&message)
			<-time.After(100 * time.Millisecond) // work that goes on although its caller left
			if err != nil {
				return err
			}
			answer := []byte{}
			return stream.SendMsg(&answer)
		}),
	)
	go func() { _ = server.Serve(calls) }()
	go serveNaive(naive)
	secured := serveSecured()
	fmt.Printf("REST %s\ngRPC %s\nnaive %s\nHTTPS %s\n", web.Addr(), calls.Addr(), naive.Addr(), secured) //nolint:forbidigo // for the parent
	mux := http.NewServeMux()
	mux.HandleFunc("/debug/pprof/", pprof.Index)
	mux.HandleFunc("/", readsAll)
	bare := &http.Server{Handler: mux, MaxHeaderBytes: 1 << 30} // without time limits, on purpose
	panic(bare.Serve(web))                                      //nolint:forbidigo // it serves until it is killed
}

func listenBare() net.Listener {
	listener, err := net.Listen("tcp", "127.0.0.1:0") //nolint:noctx // until the process is killed
	if err != nil {
		panic(err) //nolint:forbidigo // there is no test in this process
	}
	return listener
}

// serveSecured serves HTTPS by HTTP/2 without a limit of streams, whose handlers work
// for a while although their callers left.
func serveSecured() net.Addr {
	now := time.Now()
	ca, err := authority.New(now, time.Hour, authority.Hosts{})
	if err != nil {
		panic(err) //nolint:forbidigo // there is no test in this process
	}
	cert, key, err := ca.Issue(authority.For("bare", authority.Hosts{}, now, time.Hour/2))
	if err != nil {
		panic(err) //nolint:forbidigo // there is no test in this process
	}
	pair, err := tls.X509KeyPair(cert, key)
	if err != nil {
		panic(err) //nolint:forbidigo // there is no test in this process
	}
	listener := listenBare()
	server := &http.Server{ // without time limits, on purpose
		HTTP2:     &http.HTTP2Config{MaxConcurrentStreams: 1 << 20},
		TLSConfig: &tls.Config{Certificates: []tls.Certificate{pair}, MinVersion: tls.VersionTLS13},
		Handler:   http.HandlerFunc(func(http.ResponseWriter, *http.Request) { <-time.After(100 * time.Millisecond) }),
	}
	go func() { _ = server.ServeTLS(listener, "", "") }()
	return listener.Addr()
}

// readsAll reads a body whole, unpacks it and decodes it.
func readsAll(w http.ResponseWriter, r *http.Request) {
	var body io.Reader = r.Body
	if r.Header.Get("Content-Encoding") == "gzip" {
		unpacked, err := gzip.NewReader(r.Body)
		if err != nil {
			http.Error(w, err.Error(), http.StatusBadRequest)
			return
		}
		body = unpacked
	}
	all, err := io.ReadAll(body)
	if err != nil {
		http.Error(w, err.Error(), http.StatusBadRequest)
		return
	}
	var value any
	if err := json.Unmarshal(all, &value); err != nil {
		http.Error(w, err.Error(), http.StatusBadRequest)
		return
	}
	_, _ = fmt.Fprintf(w, "%d", len(all))
}

// serveNaive answers HTTP/2 control frames by a queue without a bound, as a server
// does that reads in one goroutine and writes in another without a limit between.
func serveNaive(listener net.Listener) {
	for {
		conn, err := listener.Accept()
		if err != nil {
			return
		}
		go func() {
			defer func() { _ = conn.Close() }()
			preface := make([]byte, len(http2.ClientPreface))
			if _, err := io.ReadFull(conn, preface); err != nil {
				return
			}
			var (
				mu    sync.Mutex
				queue [][]byte
				more  = sync.NewCond(&mu)
			)
			put := func(write func(*http2.Framer) error) {
				var frame bytes.Buffer
				frame.Grow(4 << 10) // as from a pool of buffers
				if write(http2.NewFramer(&frame, nil)) == nil {
					mu.Lock()
					queue = append(queue, frame.Bytes())
					mu.Unlock()
					more.Signal()
				}
			}
			go func() {
				for {
					mu.Lock()
					for len(queue) == 0 {
						more.Wait()
					}
					next := queue[0]
					queue = queue[1:]
					mu.Unlock()
					if _, err := conn.Write(next); err != nil {
						return
					}
				}
			}()
			put(func(f *http2.Framer) error { return f.WriteSettings() })
			frames := http2.NewFramer(nil, bufio.NewReader(conn))
			for {
				frame, err := frames.ReadFrame()
				if err != nil {
					return
				}
				switch frame := frame.(type) {
				case *http2.SettingsFrame:
					if !frame.IsAck() {
						put(func(f *http2.Framer) error { return f.WriteSettingsAck() })
					}
				case *http2.PingFrame:
					data := frame.Data
					put(func(f *http2.Framer) error { return f.WritePing(true, data) })
				}
			}
		}()
	}
}
