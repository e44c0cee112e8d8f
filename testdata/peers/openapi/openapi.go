// Package openapi holds answers of an HTTP interface against its OpenAPI 3.1
// description, for tests. It is stricter than a client should be: a key that the
// description does not know is a mistake.
package openapi

import (
	"bytes"
	"fmt"
	"slices"
	"strings"

	"github.com/santhosh-tekuri/jsonschema/v6"
)

// Document is a description that can be asked.
type Document struct {
	root  map[string]any
	paths map[string]any
	c     *jsonschema.Compiler
}

const at = "mem:///openapi.json"

// Parse reads a description.
func Parse(body []byte) (*Document, error) {
	v, err := jsonschema.UnmarshalJSON(bytes.NewReader(body))
	if err != nil {
		return nil, err
	}
	d := &Document{c: jsonschema.NewCompiler()}
	d.root, _ = v.(map[string]any)
	d.paths, _ = d.root["paths"].(map[string]any)
	if d.root["openapi"] != "3.1.0" || len(d.paths) == 0 {
		return nil, fmt.Errorf("not an OpenAPI 3.1 description with paths: %v", d.root["openapi"])
	}
	closed(d.root["components"])
	closed(d.root["paths"])
	d.c.DefaultDraft(jsonschema.Draft2020)
	return d, d.c.AddResource(at, v)
}

// closed forbids keys that are not described.
func closed(v any) {
	switch v := v.(type) {
	case map[string]any:
		if props, ok := v["properties"].(map[string]any); ok && v["type"] == "object" && len(props) > 0 {
			v["additionalProperties"] = false
		}
		for _, x := range v {
			closed(x)
		}
	case []any:
		for _, x := range v {
			closed(x)
		}
	}
}

// Operations returns what is described, as in "GET /v1/queue", sorted.
func (d *Document) Operations() []string {
	var all []string
	for path, at := range d.paths {
		for method := range at.(map[string]any) {
			all = append(all, strings.ToUpper(method)+" "+path)
		}
	}
	slices.Sort(all)
	return all
}

// Codes returns the explained codes of refusals.
func (d *Document) Codes() map[string]any {
	codes, _ := d.root["x-codes"].(map[string]any)
	return codes
}

// Answer says what is wrong with an answer to a request, nil when it is as
// described. Path is the real one; status chooses the answer.
func (d *Document) Answer(method, path string, status int, body []byte) error {
	path, _, _ = strings.Cut(path, "?")
	route, ok := d.route(strings.ToLower(method), path)
	if !ok {
		return fmt.Errorf("%s %s is not described", method, path)
	}
	key := fmt.Sprint(status)
	if status >= 400 {
		key = fmt.Sprintf("%dXX", status/100)
	}
	pointer := fmt.Sprintf("%s#/paths/%s/%s/responses/%s/content/application~1json/schema", at, escape(route), strings.ToLower(method), key)
	schema, err := d.c.Compile(pointer)
	if err != nil {
		return fmt.Errorf("%s %s with %d is not described: %w", method, path, status, err)
	}
	v, err := jsonschema.UnmarshalJSON(bytes.NewReader(body))
	if err != nil {
		return fmt.Errorf("%s %s answers no JSON: %q", method, path, body)
	}
	if err := schema.Validate(v); err != nil {
		return fmt.Errorf("%s %s answers %s: %w", method, path, body, err)
	}
	if code := codeOf(v); status >= 400 && d.Codes()[code] == nil {
		return fmt.Errorf("%s %s answers with code %q, which is not explained", method, path, code)
	}
	return nil
}

func codeOf(v any) string {
	m, _ := v.(map[string]any)
	e, _ := m["error"].(map[string]any)
	s, _ := e["code"].(string)
	return s
}

// route finds the template of a path; of several the one with the fewest
// variables.
func (d *Document) route(method, path string) (string, bool) {
	best, least := "", 1000
	want := strings.Split(path, "/")
	for template, at := range d.paths {
		have := strings.Split(template, "/")
		if at.(map[string]any)[method] == nil || len(have) != len(want) {
			continue
		}
		n := 0
		for i := range have {
			if strings.HasPrefix(have[i], "{") {
				n++
			} else if have[i] != want[i] {
				n = 1000
			}
		}
		if n < least {
			best, least = template, n
		}
	}
	return best, best != ""
}

func escape(s string) string {
	s = strings.ReplaceAll(strings.ReplaceAll(s, "~", "~0"), "/", "~1")
	return strings.NewReplacer("{", "%7B", "}", "%7D").Replace(s)
}
