package tenants_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"os"
	"slices"
	"strings"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/answers"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/policy/policytest"
	"beltwright.example/services/store"
)

// leastCases is how many cases the matrix has at least. The race detector makes it six
// times slower and looks for races, which one world shows: under it there are fewer
// cases, no comparison with a bare world, and nothing of birch's own over REST.
func leastCases() int {
	if raced {
		return 1200
	}
	return 5000
}

// long is the whole matrix. The checks send over REST, which asks the same verifier
// and the same table, only some of the credentials, and keys for one desk each.
var long = os.Getenv("BELTWRIGHT_LONG") == "1"

// overREST are the credentials that are sent over REST in the checks.
var overREST = []string{
	"none", "another secret", "another business's secret", "two of them", "another scheme", "a key that has expired", "a key that was revoked",
	"a session that was ended", "a session of a person who is shut out", "a key of a business that is shut out",
}

// underRace are those that are sent by gRPC where the race detector is on; over REST it
// is the first alone.
var underRace = []string{"none", "another secret", "a key that was revoked", "a session that was ended"}

// sends tells whether a credential that is none is sent.
func sends(d door, name string) bool {
	switch {
	case raced && d.name == "REST":
		return name == underRace[0]
	case raced:
		return slices.Contains(underRace, name)
	}
	return long || d.name != "REST" || slices.Contains(overREST, name)
}

// matrix counts cases and keeps what is wrong.
type matrix struct {
	// only are the methods that are called, where not all are.
	only     []string
	cases    int
	findings []string
}

func (m *matrix) findsf(format string, args ...any) {
	m.findings = append(m.findings, fmt.Sprintf(format, args...))
}

// door is a way in: gRPC or REST.
type door struct {
	name string
	send func(w *world, with credential, method string, messages []proto.Message) reply
	has  func(method string) bool
}

func doors(w *world) []door {
	routes := w.routesOf()
	return []door{
		{
			"gRPC", func(w *world, with credential, method string, messages []proto.Message) reply {
				return w.call(with, method, messages...)
			},
			func(string) bool { return true },
		},
		{"REST", func(w *world, with credential, method string, messages []proto.Message) reply {
			return w.fetch(with, routes[method][0], messages...)
		}, func(method string) bool { return len(routes[method]) > 0 }},
	}
}

// public tells whether everybody may call a method.
func public(method string) bool { return strings.HasPrefix(policytest.Desks()[method], "*") }

// each goes through all methods of both doors.
func (m *matrix) each(w *world, do func(d door, r row)) {
	for _, d := range doors(w) {
		for _, r := range rows() {
			if d.has(r.method) && (m.only == nil || slices.Contains(m.only, r.method)) {
				do(d, r)
			}
		}
	}
}

// refusals sends each call with each credential that is none. All are answered alike,
// and nothing of the request is looked at.
func (m *matrix) refusals(w *world, bad map[string]credential) {
	first := ""
	m.each(w, func(d door, r row) {
		messages := r.ask(w, w.things[alder])
		for _, name := range slices.Sorted(maps.Keys(bad)) {
			if public(r.method) || !sends(d, name) {
				continue
			}
			m.cases++
			got := d.send(w, bad[name], r.method, messages)
			if got.status.Code() != codes.Unauthenticated || reason(got) != fitmentv1.ErrorInfo_CREDENTIAL_INVALID {
				m.findsf("%s %s with %s: %v", d.name, r.method, name, got.status)
			}
			if first == "" {
				first = got.status.Message()
			}
			if got.status.Message() != first {
				m.findsf("%s %s with %s is told %q, others %q", d.name, r.method, name, got.status.Message(), first)
			}
			m.leaks(w, d, r, name, got)
		}
	})
}

func reason(got reply) apierr.Reason { return apierr.ReasonOf(got.status.Err()) }

// leaks looks for alder's canaries, and its vehicles, in what somebody else is told.
func (m *matrix) leaks(w *world, d door, r row, who string, got reply) {
	if at := strings.Index(got.text, mark(alder)); at >= 0 {
		m.findsf("%s %s by %s tells %.60q", d.name, r.method, who, got.text[at:])
	}
	for i := range w.vins {
		if strings.Contains(got.text, w.vins[i]) {
			m.findsf("%s %s by %s tells the VIN %s", d.name, r.method, who, w.vins[i])
			return
		}
	}
}

// desks sends each call with keys for each set of desks. Those that may not are refused
// before the request is looked at; what is sent for those that may is not quite a good
// request, so that it does nothing.
func (m *matrix) desks(w *world, sets map[string]credential) {
	m.each(w, func(d door, r row) {
		if public(r.method) {
			return
		}
		messages := spoiled(r.ask(w, w.things[alder]))
		for _, set := range slices.Sorted(maps.Keys(sets)) {
			if (raced || !long && d.name == "REST") && len(set) > 1 {
				continue
			}
			m.cases++
			got := d.send(w, sets[set], r.method, messages)
			may := strings.ContainsAny(set, policytest.Desks()[r.method])
			refusal := got.status.Code() == codes.PermissionDenied && reason(got) == fitmentv1.ErrorInfo_PERMISSION_MISSING
			person := r.by == byPerson && refusal && strings.Contains(got.status.Message(), "session")
			if may == refusal && !person || got.status.Code() == codes.Unauthenticated {
				m.findsf("%s %s for the desks %s: allowed %v, %v", d.name, r.method, set, may, got.status)
			}
			if !may && !refusal {
				m.leaks(w, d, r, "the desks "+set, got)
			}
		}
	})
}

// spoiled are messages that change nothing: writes without a request id, files that are
// only tried.
func spoiled(messages []proto.Message) []proto.Message {
	first := messages[0].ProtoReflect()
	if field := first.Descriptor().Fields().ByName("request_id"); field != nil {
		first.Clear(field)
	}
	if options, ok := inside(messages[0], "options"); ok {
		switch o := options.(type) {
		case *fitmentv1.ImportOptions:
			o.DryRun = true
		case *fitmentv1.AttachmentOptions:
			o.Sha256 = strings.Repeat("0", 64)
		}
	}
	return messages
}

// others sends each call as birch, about alder's things, and returns what was answered.
func (m *matrix) others(w *world, x *things) map[string]string {
	w.ids = 1_000_000 // the same ids in every world
	told := map[string]string{}
	m.each(w, func(d door, r row) {
		m.cases++
		with := bearer(w.keys[birch])
		if r.by == byPerson {
			with = bearer(w.things[birch].credential)
		}
		messages := r.ask(w, x.as(birch))
		if r.by == byAnybody {
			messages = r.ask(w, w.things[birch])
		}
		got := d.send(w, with, r.method, messages)
		m.leaks(w, d, r, birch, got)
		told[d.name+" "+r.method] = compared(w.t, got)
	})
	return told
}

// same finds what birch is told of a world that it is not told of another: more than
// alder's listings and what is held of others'.
func (m *matrix) same(with, without map[string]string) {
	for _, call := range slices.Sorted(maps.Keys(with)) {
		m.cases++
		if with[call] != without[call] {
			m.findsf("%s tells birch what alder has: %s\n  and where alder has nothing: %s", call, differing(with[call], without[call]), differing(without[call], with[call]))
		}
	}
}

// differing is where a text begins to differ from another.
func differing(a, b string) string {
	n := 0
	for n < min(len(a), len(b)) && a[n] == b[n] {
		n++
	}
	return fmt.Sprintf("…%.160s", a[max(0, n-60):])
}

// own sends each call as alder itself: each is done, and shows alder what is its own.
// It returns from where on each took its request ids.
func (m *matrix) own(w *world) map[string]int {
	w.ids = 2_000_000
	sent := map[string]int{}
	x := w.things[alder]
	shows := 0
	m.each(w, func(d door, r row) {
		writes := methods[r.method].Input().Fields().ByName("request_id") != nil || methods[r.method].IsStreamingClient() || r.by >= byPerson
		if d.name == "REST" && writes {
			return // done by gRPC already
		}
		m.cases++
		with := bearer(w.keys[alder])
		switch r.by {
		case byOperator:
			with = bearer(w.operator)
		case byPerson:
			with = bearer(x.other)
		case byAnybody:
			with = nil
		case byKey:
		}
		sent[r.method] = w.ids
		messages := r.ask(w, x)
		got := d.send(w, with, r.method, messages)
		if r.method == "IdentityService/SignInWithToken" {
			if refused(got.status) == (reason(got) == fitmentv1.ErrorInfo_CREDENTIAL_INVALID) && got.status.Code() == codes.OK {
				m.findsf("a token of nobody's signs in: %v", got.status)
			}
			return
		}
		if got.status.Code() != codes.OK || len(rejected(got)) > 0 {
			m.findsf("%s %s by alder itself: %v %v", d.name, r.method, got.status, rejected(got))
		}
		if strings.Contains(got.text, mark(alder)) {
			shows++
		} else if !r.silent {
			m.findsf("%s %s does not show alder its own", d.name, r.method)
		}
	})
	if shows < 50 {
		m.findsf("alder is shown its own %d times: the canaries are not where they should be", shows)
	}
	return sent
}

// carried takes alder's page tokens to birch, with the very requests that they came from:
// each goes on for alder and is none for birch.
func (m *matrix) carried(w *world) {
	carried := 0
	x := w.things[alder]
	m.each(w, func(d door, r row) {
		size := methods[r.method].Input().Fields().ByName("page_size")
		if d.name != "gRPC" || size == nil || r.by != byKey {
			return
		}
		ask := func(business, token string) reply {
			message := r.ask(w, x)[0]
			fields := message.ProtoReflect()
			fields.Set(size, protoreflect.ValueOfInt32(1))
			fields.Set(fields.Descriptor().Fields().ByName("page_token"), protoreflect.ValueOfString(token))
			return d.send(w, bearer(w.keys[business]), r.method, []proto.Message{message})
		}
		first := ask(alder, "")
		if first.status.Code() != codes.OK || len(first.answers) == 0 {
			m.findsf("%s by alder, a page of one: %v", r.method, first.status)
			return
		}
		page := first.answers[0].ProtoReflect()
		token := page.Get(page.Descriptor().Fields().ByName("next_page_token")).String()
		if token == "" {
			return
		}
		carried, m.cases = carried+1, m.cases+1
		if next := ask(alder, token); next.status.Code() != codes.OK {
			m.findsf("%s by alder, the next page: %v", r.method, next.status)
		}
		got := ask(birch, token)
		if got.status.Code() != codes.PermissionDenied && (got.status.Code() != codes.InvalidArgument || reason(got) != fitmentv1.ErrorInfo_PAGE_TOKEN_INVALID) {
			m.findsf("%s goes on for birch from alder's page token: %v", r.method, got.status)
		}
		m.leaks(w, d, r, "birch with alder's page token", got)
	})
	if carried < 12 {
		m.findsf("%d page tokens were carried: too few to say anything", carried)
	}
}

// ownByREST sends over REST as birch, about its own things, what alder has done by gRPC:
// a request that is wrong for everybody would be refused to others for that alone.
func (m *matrix) ownByREST(w *world) {
	w.ids = 3_000_000
	x := w.things[birch]
	m.each(w, func(d door, r row) {
		if d.name != "REST" || r.method == "IdentityService/SignInWithToken" || r.by == byPerson {
			return // nobody's token is good; birch's people have signed out
		}
		m.cases++
		with := bearer(w.keys[birch])
		switch r.by {
		case byOperator:
			with = bearer(w.operator)
		case byAnybody:
			with = nil
		case byKey, byPerson:
		}
		got := d.send(w, with, r.method, r.ask(w, x))
		if got.status.Code() != codes.OK || bytes.Contains(got.body, []byte(`"problems":[{`)) {
			m.findsf("REST %s by birch itself: %v %.300s", r.method, got.status, got.body)
		}
		m.leaks(w, d, r, "birch itself", got)
	})
}

// rejected are the rows of an import that were.
func rejected(got reply) []*fitmentv1.FieldProblem {
	for _, answer := range got.answers {
		if with, ok := answer.(interface{ GetRow() *fitmentv1.RowResult }); ok && len(with.GetRow().GetProblems()) > 0 {
			return with.GetRow().GetProblems()
		}
	}
	return nil
}

// repeats sends alder's writes once more as birch, with alder's request ids. These are
// each business's own: birch must neither be answered what alder was, nor be told that
// the id was used.
func (m *matrix) repeats(w *world, sent map[string]int) {
	m.each(w, func(d door, r row) {
		if public(r.method) || methods[r.method].Input().Fields().ByName("request_id") == nil {
			return
		}
		m.cases++
		w.ids = sent[r.method]
		got := d.send(w, bearer(w.keys[birch]), r.method, r.ask(w, w.things[alder].as(birch)))
		if d.name == "gRPC" && reason(got) == fitmentv1.ErrorInfo_REQUEST_ID_REUSED {
			m.findsf("%s: birch is told that alder used the request id: %v", r.method, got.status)
		}
		m.leaks(w, d, r, "birch with alder's request id", got)
	})
}

// compared is an answer without what differs between any two worlds: revisions and
// tags of records, and credentials, which are random.
func compared(t *testing.T, got reply) string {
	t.Helper()
	var text strings.Builder
	fmt.Fprintln(&text, got.status.Code(), got.status.Message(), got.code)
	for _, detail := range got.status.Details() {
		fmt.Fprintln(&text, "detail", fmt.Sprint(detail))
	}
	body := got.body
	if bytes.HasPrefix(body, []byte("%PDF")) {
		body = []byte(sumOf(body))
	}
	for _, answer := range got.answers {
		if drawn, ok := answer.(interface{ GetDocument() *fitmentv1.Document }); ok {
			if body = drawn.GetDocument().GetContent(); bytes.HasPrefix(body, []byte("%PDF")) {
				body = []byte(sumOf(body))
			}
			continue
		}
		raw, err := answers.JSON(answer)
		if err != nil {
			t.Fatal(err)
		}
		body = append(append(body, raw...), '\n')
	}
	for line := range strings.Lines(string(body)) {
		var value any
		if json.Unmarshal([]byte(line), &value) != nil {
			text.WriteString(line)
			continue
		}
		raw, err := json.Marshal(blank(value))
		if err != nil {
			t.Fatal(err)
		}
		text.WriteString(string(raw) + "\n")
	}
	return text.String()
}

// blank replaces what is a place of the store, or random, by a word.
func blank(value any) any {
	switch v := value.(type) {
	case map[string]any:
		for key, inner := range v {
			switch key {
			case "revision", "etag", "fitmentRevision", "keyId", "prefix", "text", "credential":
				v[key] = key
			case "nextPageToken":
				if inner != "" {
					v[key] = "more"
				}
			default:
				v[key] = blank(inner)
			}
		}
	case []any:
		for i := range v {
			v[i] = blank(v[i])
		}
	case string: // ids of credentials are random
		if strings.HasPrefix(v, "keys/") || strings.HasPrefix(v, "sessions/") {
			return "CREDENTIAL"
		}
	}
	return value
}

// TestEveryMethodIsInTheMatrix: a method, or a route, that nobody has thought about
// fails the test rather than to be left out of it.
func TestEveryMethodIsInTheMatrix(t *testing.T) {
	t.Parallel()
	listed := map[string]int{}
	for _, r := range rows() {
		listed[r.method]++
	}
	for method := range methods {
		if listed[method] != 1 {
			t.Errorf("%s stands in the matrix %d times", method, listed[method])
		}
		if policytest.Desks()[method] == "" {
			t.Errorf("nobody has written down who may call %s", method)
		}
	}
	for method := range listed {
		if methods[method] == nil {
			t.Errorf("%s is in the matrix and does not exist", method)
		}
	}
}

// TestNobodyGetsAtWhatIsNotHis is the matrix.
func TestNobodyGetsAtWhatIsNotHis(t *testing.T) {
	t.Parallel()
	w := newWorld(t, build{})
	for method, routes := range w.routesOf() {
		if methods[method] == nil || len(routes) != 1 {
			t.Errorf("the API's description has %d routes to %s, which the matrix cannot send", len(routes), method)
		}
	}
	var m matrix
	bad := w.forged()
	maps.Copy(bad, w.ended())
	sets := w.desked()
	before := w.records(alder)
	m.refusals(w, bad)
	m.desks(w, sets)
	told := m.others(w, w.things[alder])
	if after := w.records(alder); !maps.Equal(before, after) {
		t.Errorf("what others called changed alder's records: %s", changed(before, after))
	}
	if !raced {
		bare := newWorld(t, build{bare: true, bought: w.bought})
		m.same(told, m.others(bare, w.things[alder]))
	}
	m.repeats(w, m.own(w))
	m.carried(w)
	if !raced {
		m.ownByREST(w)
	}
	for _, finding := range m.findings {
		t.Error(finding)
	}
	if m.cases < leastCases() {
		t.Errorf("%d cases, want at least %d", m.cases, leastCases())
	}
	t.Logf("%d methods, %d cases", len(methods), m.cases)
}

// records are the versions of what a business has on both sides, but for the days on
// which its keys were used.
func (w *world) records(business string) map[string]int64 {
	w.t.Helper()
	all := map[string]int64{}
	for side, kept := range map[string]store.Store{"fitment": w.store, "quote": w.quotes} {
		for after := int64(0); ; {
			some, err := kept.Changes(w.t.Context(), after, 1000)
			if err != nil {
				w.t.Fatal(err)
			}
			if len(some) == 0 {
				break
			}
			for _, record := range some {
				after = record.Version
				if record.Key.Tenant == business && record.Key.Kind != "key" {
					all[side+" "+record.Key.Kind+"/"+record.Key.ID] = record.Version
				}
			}
		}
	}
	return all
}

// changed names the records that are not the same.
func changed(before, after map[string]int64) []string {
	var names []string
	for name := range after {
		if before[name] != after[name] {
			names = append(names, name)
		}
	}
	for name := range before {
		if _, there := after[name]; !there {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	return names
}
