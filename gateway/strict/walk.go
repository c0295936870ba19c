package strict

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"google.golang.org/protobuf/reflect/protoreflect"
)

// walker goes through a JSON text token by token beside the description of the
// message that it should be.
type walker struct {
	findings

	raw     []byte
	tokens  *json.Decoder
	depth   int
	literal []byte // the last token as it was written
}

func newWalker(raw []byte) *walker {
	tokens := json.NewDecoder(bytes.NewReader(raw))
	tokens.UseNumber()
	return &walker{raw: raw, tokens: tokens}
}

// body walks the whole text: one object and nothing after it. Its error is for
// text that is no JSON; what is wrong with fields is collected.
func (w *walker) body(in protoreflect.MessageDescriptor) error {
	token, err := w.next()
	if err != nil {
		return err
	}
	if token != json.Delim('{') {
		return malformed("the body is %s; expected a JSON object", described(token))
	}
	if err := w.object(in, ""); err != nil {
		return err
	}
	switch _, err := w.tokens.Token(); {
	case errors.Is(err, io.EOF):
		return nil
	default:
		return malformed("there is more after the JSON object, at %s; expected one object only", w.place(w.tokens.InputOffset()))
	}
}

// next reads a token. It refuses what is no JSON, half characters (a lone
// surrogate escape) and nesting without end.
func (w *walker) next() (json.Token, error) {
	start := w.tokens.InputOffset()
	token, err := w.tokens.Token()
	if err != nil {
		if len(bytes.TrimSpace(w.raw)) == 0 {
			return nil, malformed("the body is empty; expected a JSON object")
		}
		at := w.tokens.InputOffset()
		if syntax, ok := errors.AsType[*json.SyntaxError](err); ok {
			at = max(at, syntax.Offset-1)
		}
		return nil, malformed("the body is no well-formed JSON at %s; expected a JSON object", w.place(at))
	}
	w.literal = bytes.TrimLeft(w.raw[start:w.tokens.InputOffset()], " \t\r\n,:")
	switch token {
	case json.Delim('{'), json.Delim('['):
		w.depth++
	case json.Delim('}'), json.Delim(']'):
		w.depth--
	}
	if w.depth > MaxDepth {
		return nil, malformed("the body nests deeper than %d levels, at %s; expected fewer", MaxDepth, w.place(start))
	}
	if _, isText := token.(string); isText && loneSurrogate(w.literal) {
		return nil, malformed("the body has half a character (an unpaired surrogate escape) at %s; expected whole characters", w.place(start))
	}
	return token, nil
}

// place names an offset as people count.
func (w *walker) place(offset int64) string {
	before := w.raw[:min(max(offset, 0), int64(len(w.raw)))]
	line := bytes.Count(before, []byte("\n")) + 1
	column := utf8.RuneCount(before[bytes.LastIndexByte(before, '\n')+1:]) + 1
	return fmt.Sprintf("line %d, column %d", line, column)
}

// object walks the fields of a message, after its brace.
func (w *walker) object(in protoreflect.MessageDescriptor, path string) error {
	seen := map[protoreflect.FieldNumber]bool{}
	chosen := map[protoreflect.FullName]string{}
	for {
		token, err := w.next()
		if err != nil {
			return err
		}
		name, ok := token.(string)
		if !ok { // the closing brace: the tokenizer allows nothing else
			return nil
		}
		field := fieldOf(in, name)
		if field == nil {
			w.addUnknown(join(path, readable(name)), "is no field of "+string(in.Name()), oneOf(fieldNames(in)))
			err = w.skip()
		} else {
			at := join(path, field.JSONName())
			if seen[field.Number()] {
				w.addInvalid(at, "is given twice", "it once")
			}
			seen[field.Number()] = true
			err = w.field(field, at, chosen)
		}
		if err != nil {
			return err
		}
	}
}

// field walks a field's value: a list or a single one.
func (w *walker) field(field protoreflect.FieldDescriptor, path string, chosen map[protoreflect.FullName]string) error {
	token, err := w.next()
	if err != nil || token == nil { // null: not stated
		return err
	}
	if group := field.ContainingOneof(); group != nil && !group.IsSynthetic() {
		if other, taken := chosen[group.FullName()]; taken && other != field.JSONName() {
			w.addInvalid(path, "is given beside "+other, "only one of the two")
		}
		chosen[group.FullName()] = field.JSONName()
	}
	switch {
	case field.IsMap():
		w.addInvalid(path, "cannot be given in JSON", "it left out")
		return w.rest(token)
	case !field.IsList():
		return w.value(field, token, path)
	case token != json.Delim('['):
		w.addInvalid(path, "is "+described(token), "a list")
		return w.rest(token)
	}
	for i := 0; ; i++ {
		token, err := w.next()
		if err != nil {
			return err
		}
		if token == json.Delim(']') {
			return nil
		}
		at := path + "[" + strconv.Itoa(i) + "]"
		if token == nil {
			w.addInvalid(at, "is null", "%s", wanted(field))
			continue
		}
		if err := w.value(field, token, at); err != nil {
			return err
		}
	}
}

// value walks one value, whose first token was read.
func (w *walker) value(field protoreflect.FieldDescriptor, token json.Token, path string) error {
	if message := field.Message(); message != nil && message.FullName() != timestampName {
		if token != json.Delim('{') {
			w.addInvalid(path, "is "+described(token), "%s", wanted(field))
			return w.rest(token)
		}
		return w.object(message, path)
	}
	if _, nested := token.(json.Delim); nested {
		w.addInvalid(path, "is "+described(token), "%s", wanted(field))
		return w.rest(token)
	}
	if problem := scalarProblem(field, token); problem != "" {
		w.addInvalid(path, problem, "%s", wanted(field))
	}
	return nil
}

// skip walks over the next value.
func (w *walker) skip() error {
	token, err := w.next()
	if err != nil {
		return err
	}
	return w.rest(token)
}

// rest walks over what is left of a value whose first token was read.
func (w *walker) rest(first json.Token) error {
	if _, nested := first.(json.Delim); !nested {
		return nil
	}
	for outside := w.depth - 1; w.depth > outside; {
		if _, err := w.next(); err != nil {
			return err
		}
	}
	return nil
}

// fieldOf finds a field by its JSON name or its proto name.
func fieldOf(in protoreflect.MessageDescriptor, name string) protoreflect.FieldDescriptor {
	if field := in.Fields().ByJSONName(name); field != nil {
		return field
	}
	return in.Fields().ByTextName(name)
}

func fieldNames(in protoreflect.MessageDescriptor) []string {
	names := make([]string, 0, in.Fields().Len())
	for i := range in.Fields().Len() {
		names = append(names, in.Fields().Get(i).JSONName())
	}
	slices.Sort(names)
	return names
}

func oneOf(names []string) string {
	switch len(names) {
	case 0:
		return "no field at all"
	case 1:
		return "only " + names[0]
	}
	return "one of " + strings.Join(names, ", ")
}

func join(path, name string) string {
	if path == "" {
		return name
	}
	return path + "." + name
}

// longestName bounds how much of a strange name is repeated.
const longestName = 64

// readable makes a name fit to stand in a path.
func readable(name string) string {
	cut := name
	if len(cut) > longestName {
		cut = strings.ToValidUTF8(cut[:longestName], "") + "…"
	}
	plain := cut != "" && !strings.ContainsFunc(cut, func(r rune) bool {
		return r <= ' ' || r == '.' || r == '"' || r == '\\' || r == '[' || r == ']' || !strconv.IsPrint(r)
	})
	if plain {
		return cut
	}
	return strconv.Quote(cut)
}
