package rest

import (
	"context"
	"errors"
	"io"
	"net/http"
	"regexp"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	"beltwright.example/gateway/strict"
	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/answers"
)

// watcher serves paths whose answer goes on for as long as the client stays and the
// service behind has something to say: a line of JSON a message, and in the last
// line the error that ended it, where one did.
type watcher struct {
	// path matches the paths; its group is the name of what is watched, where one is.
	path *regexp.Regexp
	// method is the RPC's full name.
	method string
	// request is an empty request about a name, and reply an empty answer.
	request func(name string) proto.Message
	reply   func() proto.Message
}

// watchers lists them all.
func watchers() []watcher {
	return []watcher{{
		path: regexp.MustCompile(`^/v1/(needs/[^/:]+):watch$`), method: fitmentv1.FitmentService_WatchDonors_FullMethodName,
		request: func(name string) proto.Message { return &fitmentv1.WatchDonorsRequest{Name: name} },
		reply:   func() proto.Message { return &fitmentv1.WatchDonorsResponse{} },
	}, {
		path: regexp.MustCompile(`^/v1/evidenceRequests:watch$`), method: fitmentv1.EvidenceService_WatchEvidenceRequests_FullMethodName,
		request: func(string) proto.Message { return &fitmentv1.WatchEvidenceRequestsRequest{} },
		reply:   func() proto.Message { return &fitmentv1.WatchEvidenceRequestsResponse{} },
	}}
}

// watched finds the watcher of a path and the name in it.
func (g *gateway) watched(path string) (w watcher, name string, ok bool) {
	for _, one := range g.watchers {
		if match := one.path.FindStringSubmatch(path); match != nil {
			return one, match[len(match)-1], true
		}
	}
	return watcher{}, "", false
}

// watch serves one watch. It returns the errors that come before the first line,
// for an ordinary error answer, and writes all others itself.
func (g *gateway) watch(w http.ResponseWriter, r *http.Request, key string, what watcher, name string) error {
	message := what.request(name)
	e := &exchange{writer: w, request: r, key: key}
	values, err := strict.ParseQuery(r.URL.RawQuery)
	if err == nil {
		err = e.noBody()
	}
	if err == nil {
		err = strict.Query(values, message)
	}
	if err != nil {
		return err
	}
	ctx, cancel := context.WithCancel(withKey(r.Context(), key))
	defer cancel()
	defer context.AfterFunc(g.ending, cancel)()
	stream, err := openWatch(ctx, g.options.Fitment, what.method, message)
	if err != nil {
		return jsonPaths(err)
	}
	out := newLines(w, g.options.Stall)
	// The server listens for the client going away; the time for reading a request,
	// which has been read, must not look like that.
	_ = out.controller.SetReadDeadline(time.Time{})
	err = passOn(stream, what.reply, &out)
	switch {
	case err == nil, g.ending.Err() != nil && out.wrote:
	case out.wrote:
		out.fail(jsonPaths(err))
	default:
		return jsonPaths(err)
	}
	return nil
}

func openWatch(ctx context.Context, conn grpc.ClientConnInterface, method string, request proto.Message) (grpc.ClientStream, error) {
	stream, err := conn.NewStream(ctx, &grpc.StreamDesc{ServerStreams: true}, method)
	if err != nil {
		return nil, err
	}
	if err := stream.SendMsg(request); err != nil && !errors.Is(err, io.EOF) {
		return nil, err // at the end of the stream, receiving says why
	}
	return stream, stream.CloseSend()
}

// passOn writes what a stream sends, until its end (nil) or an error.
func passOn(stream grpc.ClientStream, reply func() proto.Message, out *lines) error {
	for {
		message := reply()
		if err := stream.RecvMsg(message); errors.Is(err, io.EOF) {
			return nil
		} else if err != nil {
			return err
		}
		raw, err := answers.JSON(message)
		if err != nil {
			return err
		}
		if err := errors.Join(out.write(raw), out.flush()); err != nil {
			return err
		}
	}
}
