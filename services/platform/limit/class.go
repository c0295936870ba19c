package limit

import "strings"

// Class is what a call costs, roughly; rates and gates are set by class.
type Class string

// The classes.
const (
	// Free calls are never shed: health, whose a credential is, and taking access
	// away. They cost next to nothing, and whoever is overrun needs them most.
	Free Class = "free"
	// Read calls look something up.
	Read Class = "read"
	// Search calls think: they decide, search, plan, draw documents.
	Search Class = "search"
	// Write calls change something, and wait for the disk.
	Write Class = "write"
	// Bulk calls move files and may last minutes.
	Bulk Class = "bulk"
	// Watch calls last as long as their caller likes and do next to nothing. How
	// many a business may have is bounded where they are served.
	Watch Class = "watch"
)

// Classes are all classes.
func Classes() []Class { return []Class{Free, Read, Search, Write, Bulk, Watch} }

// verbs say the class of a method by the first word of its name; what is not here
// is a write, which is what a method is until somebody says otherwise.
var verbs = []struct { //nolint:gochecknoglobals // a table that nobody changes
	verb  string
	class Class
}{
	{"Get", Read},
	{"List", Read},
	{"Sum", Read},
	{"Decode", Read},
	{"Find", Search},
	{"Decide", Search},
	{"Assess", Search},
	{"Recompute", Search},
	{"KeepDecision", Search},
	{"Plan", Search},
	{"Weigh", Search},
	{"Solve", Search},
	{"Judge", Search},
	{"Render", Search},
	{"PrepareQuote", Search},
	{"ReviseQuote", Search},
	{"Import", Bulk},
	{"Export", Bulk},
	{"Upload", Bulk},
	{"Download", Bulk},
	{"BackUp", Bulk},
	{"Watch", Watch},
	{"VerifyCredential", Free},
	{"SignOut", Free},
	{"EndSession", Free},
	{"RevokeKey", Free},
	{"ServerReflectionInfo", Read},
}

// health is the gRPC health service, all of which is free.
const health = "/grpc.health.v1.Health/"

// Of is the class of a method, "/package.Service/Method".
func Of(fullMethod string) Class {
	if strings.HasPrefix(fullMethod, health) {
		return Free
	}
	name := fullMethod[strings.LastIndexByte(fullMethod, '/')+1:]
	for _, row := range verbs {
		if strings.HasPrefix(name, row.verb) {
			return row.class
		}
	}
	return Write
}

// String is the class as text.
func (c Class) String() string { return string(c) }

// String is the refusal as text.
func (r Refusal) String() string { return string(r) }
