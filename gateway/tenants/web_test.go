package tenants_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	rpcstatus "google.golang.org/genproto/googleapis/rpc/status"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/anypb"

	"beltwright.example/gateway/upload"
)

// route is one operation of the API's description.
type route struct {
	method, path string
	// placeholders are the parameters in the path, in order.
	placeholders []string
}

// open are the routes that lead to no RPC: a browser's ways in, which have tests of
// their own in package rest.
var open = []string{"Browser_SignIn", "Browser_SignInByProvider", "Browser_FromProvider"}

var placeholder = regexp.MustCompile(`\{([^}]*)\}`)

// routesOf reads the API's description: the route of each method that has one.
func (w *world) routesOf() map[string][]route {
	w.t.Helper()
	request, err := http.NewRequestWithContext(w.t.Context(), http.MethodGet, w.web.URL+"/openapi.json", nil)
	if err != nil {
		w.t.Fatal(err)
	}
	response, err := w.web.Client().Do(request)
	if err != nil {
		w.t.Fatal(err)
	}
	defer func() { _ = response.Body.Close() }()
	var document struct {
		Paths map[string]map[string]struct {
			OperationID string `json:"operationId"`
		} `json:"paths"`
	}
	if err := json.NewDecoder(response.Body).Decode(&document); err != nil {
		w.t.Fatal(err)
	}
	imports := map[string]string{}
	for _, kind := range upload.Kinds() {
		service, method, _ := strings.Cut(strings.TrimPrefix(kind.Method, "/"), "/")
		imports["Import_"+kind.Path()] = service[strings.LastIndex(service, ".")+1:] + "/" + method
	}
	all := map[string][]route{}
	for path, operations := range document.Paths {
		for method, operation := range operations {
			name := strings.Replace(operation.OperationID, "_", "/", 1)
			if imported, ok := imports[operation.OperationID]; ok {
				name = imported
			}
			if slices.Contains(open, operation.OperationID) {
				continue
			}
			r := route{method: strings.ToUpper(method), path: path}
			for _, match := range placeholder.FindAllStringSubmatch(path, -1) {
				r.placeholders = append(r.placeholders, match[1])
			}
			all[name] = append(all[name], r)
		}
	}
	return all
}

// numbered is what the description puts behind a placeholder that stands in several
// paths.
var numbered = regexp.MustCompile(`_\d+$`)

// request makes the HTTP request of a route from the messages of the RPC.
func (w *world) request(ctx context.Context, r route, messages []proto.Message) *http.Request {
	w.t.Helper()
	message := messages[0]
	if content, ok := inside(message, "options"); ok {
		message = content
	}
	values := flat(w.t, message)
	path := r.path
	for _, name := range r.placeholders {
		field := numbered.ReplaceAllString(name, "")
		if field == "attachment" {
			field = "name"
		}
		path = strings.Replace(path, "{"+name+"}", values[field], 1)
		delete(values, field)
	}
	var body io.Reader
	kind := ""
	query := url.Values{}
	switch {
	case len(messages) > 1: // a file
		chunk := messages[1].ProtoReflect()
		content := chunk.Get(chunk.Descriptor().Fields().ByName("chunk")).Bytes()
		body, kind = bytes.NewReader(content), "text/csv"
		if bytes.HasPrefix(content, picture[:8]) {
			kind = "image/png"
			delete(values, "content_type")
		}
		query = queryOf(values)
	case r.method == http.MethodGet:
		query = queryOf(values)
	default:
		raw, err := protojson.Marshal(message)
		if err != nil {
			w.t.Fatal(err)
		}
		body, kind = bytes.NewReader(raw), "application/json"
	}
	request, err := http.NewRequestWithContext(ctx, r.method, w.web.URL+path, body)
	if err != nil {
		w.t.Fatal(err)
	}
	request.URL.RawQuery = query.Encode()
	if kind != "" {
		request.Header.Set("Content-Type", kind)
	}
	return request
}

// inside is a message's own message in a field, where it is set.
func inside(m proto.Message, name protoreflect.Name) (proto.Message, bool) {
	field := m.ProtoReflect().Descriptor().Fields().ByName(name)
	if field == nil || field.Message() == nil || !m.ProtoReflect().Has(field) {
		return nil, false
	}
	return m.ProtoReflect().Get(field).Message().Interface(), true
}

// flat are a message's single values by their names in paths: "name", "listing.name".
func flat(t *testing.T, m proto.Message) map[string]string {
	t.Helper()
	values := map[string]string{}
	m.ProtoReflect().Range(func(field protoreflect.FieldDescriptor, value protoreflect.Value) bool {
		switch {
		case field.IsList() || field.IsMap():
		case field.Message() != nil:
			for name, inner := range flat(t, value.Message().Interface()) {
				values[string(field.Name())+"."+name] = inner
			}
		case field.Enum() != nil:
			values[string(field.Name())] = string(field.Enum().Values().ByNumber(value.Enum()).Name())
		default:
			values[string(field.Name())] = fmt.Sprint(value.Interface())
		}
		return true
	})
	return values
}

func queryOf(values map[string]string) url.Values {
	query := url.Values{}
	for name, value := range values {
		words := strings.Split(name, "_")
		for i, word := range words[1:] {
			words[i+1] = strings.ToUpper(word[:1]) + word[1:]
		}
		query.Set(strings.Join(words, ""), value)
	}
	return query
}

// fetch sends a request and reads its answer; of what goes on for ever, the first look.
func (w *world) fetch(with credential, r route, messages ...proto.Message) reply {
	w.t.Helper()
	ctx, cancel := context.WithTimeout(w.t.Context(), callTime)
	defer cancel()
	request := w.request(ctx, r, messages)
	for _, value := range with {
		request.Header.Add("Authorization", value)
	}
	response, err := w.web.Client().Do(request)
	if err != nil {
		w.t.Fatalf("%s %s: %v", r.method, r.path, err)
	}
	defer func() { _ = response.Body.Close() }()
	var text strings.Builder
	fmt.Fprint(&text, response.Header, "\n")
	got := reply{status: status.New(codes.OK, ""), code: response.StatusCode}
	if strings.HasSuffix(r.path, ":watch") && response.StatusCode == http.StatusOK {
		got.body = firstLook(response.Body)
	} else if got.body, err = io.ReadAll(response.Body); err != nil {
		w.t.Fatalf("%s %s: %v", r.method, r.path, err)
	}
	text.Write(got.body)
	for _, match := range tokens.FindAllSubmatch(got.body, -1) {
		text.WriteString(decoded(string(match[1])))
	}
	if response.StatusCode != http.StatusOK {
		got.status = statusOf(got.body)
	}
	got.text = text.String()
	return got
}

var tokens = regexp.MustCompile(`"(?:nextPageToken|revision)":\s*"([^"]*)"`)

// firstLook reads the lines of a watch until it has said all there is.
func firstLook(body io.Reader) []byte {
	var read []byte
	decoder := json.NewDecoder(body)
	for {
		var line map[string]any
		if decoder.Decode(&line) != nil {
			return read
		}
		raw, err := json.Marshal(line)
		if err != nil {
			return read
		}
		read = append(append(read, raw...), '\n')
		if _, more := line["evidenceRequest"]; line["change"] == "NOTHING" || line["change"] == nil && !more {
			return read
		}
	}
}

// statusOf reads an error's shape back.
func statusOf(body []byte) *status.Status {
	var shape struct {
		Code    int32            `json:"code"`
		Message string           `json:"message"`
		Details []map[string]any `json:"details"`
	}
	if json.Unmarshal(body, &shape) != nil {
		return status.New(codes.Unknown, string(body))
	}
	made := &rpcstatus.Status{Code: shape.Code, Message: shape.Message}
	for _, detail := range shape.Details {
		if reason, ok := detail["reason"].(string); ok {
			if packed, err := anypb.New(&errdetails.ErrorInfo{Reason: reason, Domain: "beltwright"}); err == nil {
				made.Details = append(made.Details, packed)
			}
		}
	}
	return status.FromProto(made)
}
