package web

import (
	"encoding/json"
	"fmt"
	"net/http"
	"reflect"
	"slices"
	"strings"
	"sync"
	"time"

	"offsetbridge/internal/core"
)

// operation is one thing that the interface does, as its description tells it.
type operation struct {
	pattern string   // "GET /v1/queue/{machine}/{id}", as it is routed
	say     string   // what it does
	query   []string // names of what may stand behind "?"
	body    any      // of the request; nil: none
	answer  any      // of a good answer; nil: an empty object
	need    core.Role
	codes   []string // of refusals beyond those of every operation
	stream  bool     // server-sent events in place of one answer
	person  bool     // with a session alone, never with a token
	nobody  bool     // needs neither
	status  int      // of a good answer; 0 is 200
}

type object = map[string]any

// description returns the interface's OpenAPI 3.1 document. It is made of the
// types that are sent, so that it cannot say anything else than they do.
var description = sync.OnceValue(func() []byte {
	s := schemas{all: object{}}
	paths := object{}
	for _, o := range operations() {
		method, path, _ := strings.Cut(o.pattern, " ")
		at, ok := paths[path].(object)
		if !ok {
			at = object{}
			paths[path] = at
		}
		at[strings.ToLower(method)] = o.describe(&s, path)
	}
	s.of(reflect.TypeFor[Refusal]())
	body, err := json.MarshalIndent(object{
		"openapi": "3.1.0",
		"info": object{
			"title": "offsetbridge", "version": "1",
			"description": "What waits for a person, decisions, holds, gauges and the record. Keys ending in _nm are whole nanometres; " +
				"the text beside them is made from the same numbers. A size steers a process, it accepts no part, and nothing here is a safety function. " +
				"Answers may gain keys; a key that is there keeps its meaning.",
		},
		"security":   []object{{"token": []string{}}, {"session": []string{}}},
		"paths":      paths,
		"components": object{"schemas": s.all, "securitySchemes": schemes()},
		"x-codes":    codes(),
	}, "", " ")
	if err != nil {
		panic("web: the description does not encode: " + err.Error())
	}
	return append(body, '\n')
})

func schemes() object {
	return object{
		"token":   object{"type": "http", "scheme": "bearer", "description": "of an integration, see [[token]] in the configuration"},
		"session": object{"type": "apiKey", "in": "cookie", "name": sessionCookie, "description": "of a person who signed in at the page; changing requests must come from the page's own origin"},
	}
}

func (o *operation) describe(s *schemas, path string) object {
	say := o.say
	if o.need != "" {
		say += " Needs at least the role " + string(o.need) + "."
	}
	out := object{"summary": o.say, "description": say, "operationId": strings.Trim(strings.NewReplacer("/v1/", "", "/", "-", "{", "", "}", "", " ", "-", ".", "-").Replace(strings.ToLower(o.pattern)), "-")}
	var params []object
	for part := range strings.SplitSeq(path, "/") {
		if name, ok := strings.CutPrefix(part, "{"); ok {
			params = append(params, object{"name": strings.TrimSuffix(name, "}"), "in": "path", "required": true, "schema": object{"type": "string"}})
		}
	}
	for _, name := range o.query {
		params = append(params, object{"name": name, "in": "query", "schema": object{"type": "string"}})
	}
	if params != nil {
		out["parameters"] = params
	}
	if o.body != nil {
		out["requestBody"] = object{"required": true, "content": object{"application/json": object{"schema": s.of(reflect.TypeOf(o.body))}}}
	}
	good := object{"description": "done, and durable where something changed"}
	switch {
	case o.stream:
		good["content"] = object{"text/event-stream": object{"schema": object{"type": "string"}}}
	case o.answer == nil:
		good["content"] = object{"application/json": object{"schema": object{"type": "object"}}}
	default:
		good["content"] = object{"application/json": object{"schema": s.of(reflect.TypeOf(o.answer))}}
	}
	no := object{"description": "no, and nothing changed; the code says why", "content": object{"application/json": object{"schema": object{"$ref": refTo + "Refusal"}}}}
	out["responses"] = object{fmt.Sprint(max(http.StatusOK, o.status)): good, "4XX": no, "5XX": no}
	if len(o.codes) > 0 {
		out["x-codes"] = o.codes
	}
	switch {
	case o.nobody:
		out["security"] = []object{}
	case o.person:
		out["security"] = []object{{"session": []string{}}}
	}
	return out
}

const refTo = "#/components/schemas/"

// schemas describes Go types as JSON Schema 2020-12, the dialect of OpenAPI 3.1.
type schemas struct {
	all object
}

func (s *schemas) of(t reflect.Type) object {
	switch t {
	case reflect.TypeFor[time.Time]():
		return object{"type": "string", "format": "date-time"}
	case reflect.TypeFor[json.RawMessage]():
		return object{}
	}
	switch t.Kind() {
	case reflect.Pointer:
		return s.of(t.Elem())
	case reflect.Bool:
		return object{"type": "boolean"}
	case reflect.String:
		return object{"type": "string"}
	case reflect.Float32, reflect.Float64:
		return object{"type": "number"}
	case reflect.Slice, reflect.Array:
		if t.Elem().Kind() == reflect.Uint8 {
			return object{"type": "string", "contentEncoding": "base64"}
		}
		return object{"type": []string{"array", "null"}, "items": s.of(t.Elem())}
	case reflect.Map:
		return object{"type": "object", "additionalProperties": s.of(t.Elem())}
	case reflect.Struct:
		return s.structOf(t)
	case reflect.Interface:
		return object{}
	}
	return object{"type": "integer"}
}

// structOf describes a struct once, by its name where it has one.
func (s *schemas) structOf(t reflect.Type) object {
	if t.Name() == "" {
		return s.fields(t)
	}
	name := strings.NewReplacer("[", "_", "]", "", "/", "_", ".", "_").Replace(t.Name())
	if pkg := t.PkgPath(); !strings.HasSuffix(pkg, "/web") {
		name = pkg[strings.LastIndexByte(pkg, '/')+1:] + "_" + name
	}
	if _, ok := s.all[name]; !ok {
		s.all[name] = object{} // of a type that holds itself
		s.all[name] = s.fields(t)
	}
	return object{"$ref": refTo + name}
}

func (s *schemas) fields(t reflect.Type) object {
	props, required := object{}, []string{}
	s.collect(t, props, &required)
	slices.Sort(required)
	out := object{"type": "object", "properties": props}
	if len(required) > 0 {
		out["required"] = required
	}
	return out
}

// collect puts the fields of a struct, and of those it embeds, into props. What
// may be left out is not required.
func (s *schemas) collect(t reflect.Type, props object, required *[]string) {
	for i := range t.NumField() {
		f := t.Field(i)
		tag, more, _ := strings.Cut(f.Tag.Get("json"), ",")
		switch {
		case tag == "-":
			continue
		case f.Anonymous && tag == "" && f.Type.Kind() == reflect.Struct:
			s.collect(f.Type, props, required)
			continue
		case !f.IsExported():
			continue
		case tag == "":
			tag = f.Name
		}
		props[tag] = s.of(f.Type)
		optional := strings.Contains(more, "omitempty") || strings.Contains(more, "omitzero")
		if f.Type.Kind() == reflect.Pointer && !optional {
			props[tag] = object{"anyOf": []object{s.of(f.Type), {"type": "null"}}}
		}
		if !optional {
			*required = append(*required, tag)
		}
	}
}

func (s *server) describe(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Content-Type", "application/json; charset=utf-8")
	w.Header().Set("Cache-Control", "no-cache")
	w.Write(description()) //nolint:errcheck // the client has gone
}
