package rest

import (
	"cmp"
	_ "embed"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"net/http"
	"regexp"
	"slices"
	"strings"

	"beltwright.example/gateway/upload"
)

//go:embed openapi.swagger.json
var generated []byte

//go:embed openapi.imports.json
var handwritten []byte

// object is a JSON object.
type object = map[string]any

// document is the API's description and what follows from it.
type document struct {
	raw    []byte
	routes routes
}

// additions are what no generator knows of: the key, the paths that take CSV
// files, which share one operation, and those whose answer goes on.
type additions struct {
	Operation           json.RawMessage `json:"operation"`
	Paths               object          `json:"paths"`
	Definitions         object          `json:"definitions"`
	Security            []any           `json:"security"`
	SecurityDefinitions object          `json:"securityDefinitions"`
}

// newDocument puts the generated and the handwritten part together.
func newDocument() (document, error) {
	var whole object
	var more additions
	if err := errors.Join(json.Unmarshal(generated, &whole), json.Unmarshal(handwritten, &more)); err != nil {
		return document{}, fmt.Errorf("rest: the API document: %w", err)
	}
	paths, ok := whole["paths"].(object)
	definitions, defined := whole["definitions"].(object)
	if !ok || !defined {
		return document{}, errors.New("rest: the API document has no paths or no definitions")
	}
	for _, kind := range upload.Kinds() {
		var operation object
		if err := json.Unmarshal(more.Operation, &operation); err != nil {
			return document{}, fmt.Errorf("rest: the API document: %w", err)
		}
		operation["operationId"] = "Import_" + kind.Path()
		operation["summary"] = "Import " + kind.Name + " from a CSV file."
		paths[importPath(kind)] = object{"post": operation}
	}
	maps.Copy(paths, more.Paths)
	describe(paths, renderers(Options{}))
	if signIn, ok := paths[signInPath].(object)["post"].(object); ok {
		signIn["security"] = []any{} // it needs no credential
	}
	maps.Copy(definitions, more.Definitions)
	whole["security"], whole["securityDefinitions"] = more.Security, more.SecurityDefinitions
	raw, err := json.Marshal(whole)
	if err != nil {
		return document{}, fmt.Errorf("rest: the API document: %w", err)
	}
	routes, err := newRoutes(paths)
	return document{raw: raw, routes: routes}, err
}

// routes tells which methods a path has.
type routes []route

type route struct {
	// template is the path with {id} for what differs, as metrics and traces name it:
	// "/v1/listings/{id}:hold". The document's own has "{name_3}" there.
	template string
	path     *regexp.Regexp
	methods  []string
}

var placeholder = regexp.MustCompile(`\{[^}]*\}`)

// newRoutes reads the paths of the document.
func newRoutes(paths object) (routes, error) {
	var all routes
	for template, item := range paths {
		operations, ok := item.(object)
		if !ok {
			return nil, fmt.Errorf("rest: the API document's path %s is no object", template)
		}
		for method, operation := range operations {
			pattern := regexp.QuoteMeta(placeholder.ReplaceAllString(template, "\x00"))
			readable := placeholder.ReplaceAllString(template, "\x00")
			for _, values := range pathPatterns(operation) {
				pattern = strings.Replace(pattern, "\x00", "("+values+")", 1)
				readable = strings.Replace(readable, "\x00", strings.ReplaceAll(values, "[^/:]+", "{id}"), 1)
			}
			path, err := regexp.Compile("^" + pattern + "$")
			if err != nil {
				return nil, fmt.Errorf("rest: the API document's path %s: %w", template, err)
			}
			all = append(all, route{template: readable, path: path, methods: []string{strings.ToUpper(method)}})
		}
	}
	// In order, so that a path that two templates could be of always counts as one's.
	slices.SortFunc(all, func(a, b route) int {
		return cmp.Or(cmp.Compare(a.template, b.template), cmp.Compare(a.methods[0], b.methods[0]))
	})
	return all, nil
}

// pathPatterns lists what the placeholders of a path stand for, in order. Ids
// hold no colon, which a verb would start with.
func pathPatterns(operation any) []string {
	var patterns []string
	described, _ := operation.(object)
	parameters, _ := described["parameters"].([]any)
	for _, item := range parameters {
		parameter, _ := item.(object)
		if parameter["in"] != "path" {
			continue
		}
		pattern, _ := parameter["pattern"].(string)
		if pattern == "" {
			pattern = "[^/]+"
		}
		patterns = append(patterns, strings.ReplaceAll(pattern, "[^/]", "[^/:]"))
	}
	return patterns
}

// template is the template of the route that a request takes; "" where there is none.
// A path that exists for other methods only has none either.
func (r routes) template(path, method string) string {
	if isOpen(path) {
		return path
	}
	for _, each := range r {
		if slices.Contains(each.methods, method) && each.path.MatchString(path) {
			return each.template
		}
	}
	return ""
}

// isOpen tells the paths that need no key.
func isOpen(path string) bool {
	return path == "/healthz" || path == "/readyz" || path == "/openapi.json"
}

// methods lists the methods of a path, sorted; none where it does not exist.
func (r routes) methods(path string) []string {
	var methods []string
	if isOpen(path) {
		methods = append(methods, http.MethodGet)
	}
	for _, each := range r {
		if each.path.MatchString(path) {
			methods = append(methods, each.methods...)
		}
	}
	slices.Sort(methods)
	return slices.Compact(methods)
}
