package rest

import (
	_ "embed"
	"encoding/json"
	"fmt"
	"net/http"
	"regexp"
	"slices"
	"strings"

	"beltwright.example/gateway/upload"
)

//go:embed openapi.swagger.json
var generated []byte

// object is a JSON object.
type object = map[string]any

// document is the API's description and what follows from it.
type document struct {
	raw    []byte
	routes routes
}

// newDocument adds to the generated document what no generator knows of: the
// key, and the paths that take CSV files.
func newDocument() (document, error) {
	var all struct {
		object
	}
	if err := json.Unmarshal(generated, &all.object); err != nil {
		return document{}, fmt.Errorf("rest: the API document: %w", err)
	}
	paths, ok := all.object["paths"].(object)
	definitions, defined := all.object["definitions"].(object)
	if !ok || !defined {
		return document{}, fmt.Errorf("rest: the API document has no paths or no definitions")
	}
	for _, kind := range upload.Kinds() {
		paths[importPath(kind)] = object{"post": importOperation(kind)}
	}
	for name, definition := range importDefinitions() {
		definitions[name] = definition
	}
	all.object["securityDefinitions"] = object{"key": object{
		"type": "apiKey", "in": "header", "name": "Authorization", "description": `"Bearer " and the key.`,
	}}
	all.object["security"] = []any{object{"key": []any{}}}
	raw, err := json.Marshal(all.object)
	if err != nil {
		return document{}, fmt.Errorf("rest: the API document: %w", err)
	}
	routes, err := newRoutes(paths)
	return document{raw: raw, routes: routes}, err
}

func importOperation(kind upload.Kind) object {
	return object{
		"summary": "Reads " + kind.Name + " from a CSV file and answers row by row, a line of JSON each, " +
			"as the rows become durable; the last line holds the summary, or the error that ended the import.",
		"operationId": "Import_" + kind.Name,
		"tags":        []any{"Import"},
		"consumes":    []any{"text/csv"},
		"produces":    []any{"application/x-ndjson"},
		"parameters": []any{
			object{"name": "dryRun", "in": "query", "type": "boolean", "description": "Check the rows and say what would happen, but store nothing."},
			object{"name": "owner", "in": "query", "type": "string", "description": "Business that owns the rows, where an administrator imports for another."},
			object{"name": "body", "in": "body", "required": true, "description": "The file.", "schema": object{"type": "string", "format": "binary"}},
		},
		"responses": object{
			"200":     object{"description": "One line a row, then one with the summary or the error.", "schema": reference("ImportLine")},
			"default": object{"description": "An error before the first row.", "schema": reference("rpcStatus")},
		},
	}
}

func reference(name string) object { return object{"$ref": "#/definitions/" + name} }

// importDefinitions describe the lines. A test holds them against the messages.
func importDefinitions() object {
	integer := object{"type": "integer", "format": "int32"}
	text := object{"type": "string"}
	return object{
		"RowResult": object{"type": "object", "properties": object{
			"row":      integer,
			"outcome":  object{"type": "string", "enum": []any{"CREATED", "UPDATED", "UNCHANGED", "REJECTED"}},
			"name":     text,
			"problems": object{"type": "array", "items": reference("FieldProblem")},
		}},
		"FieldProblem":  object{"type": "object", "properties": object{"field": text, "problem": text, "expected": text}},
		"ImportSummary": object{"type": "object", "properties": object{"rows": integer, "created": integer, "updated": integer, "unchanged": integer, "rejected": integer, "dryRun": object{"type": "boolean"}}},
		"ImportLine": object{
			"description": "A row's result, or in the last line either summary or error.",
			"allOf": []any{reference("RowResult"), object{"type": "object", "properties": object{
				"summary": reference("ImportSummary"), "error": reference("rpcStatus"),
			}}},
		},
	}
}

// routes tells which methods a path has.
type routes []route

type route struct {
	path    *regexp.Regexp
	methods []string
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
			for _, values := range pathPatterns(operation) {
				pattern = strings.Replace(pattern, "\x00", "("+values+")", 1)
			}
			path, err := regexp.Compile("^" + pattern + "$")
			if err != nil {
				return nil, fmt.Errorf("rest: the API document's path %s: %w", template, err)
			}
			all = append(all, route{path: path, methods: []string{strings.ToUpper(method)}})
		}
	}
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

// methods lists the methods of a path, sorted; none where it does not exist.
func (r routes) methods(path string) []string {
	var methods []string
	switch path {
	case "/healthz", "/readyz", "/openapi.json":
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
