package config

import (
	"fmt"
	"maps"
	"slices"
)

// useTemplates completes machines and loops by the template that each is like: what
// one does not say itself is taken from there. Tables are completed key by key, lists
// of tables entry by entry of the same name; anything else stands as it is written.
func (r *reader) useTemplates(t *table) {
	byName := map[string]*table{}
	for _, one := range t.tables("template") {
		name := one.name(false)
		if byName[name] != nil {
			one.problem("name", "is taken by another template, name each once")
		}
		for _, kind := range []string{"machine", "loop"} {
			if part := one.table(kind); part != nil {
				for _, own := range []string{"name", "serial", "like"} {
					if _, has := part.m[own]; has {
						part.problem(own, "is each %s's own, leave it out of a template", kind)
					}
				}
			}
		}
		if !one.has("machine") && !one.has("loop") {
			one.about("describes nothing, write [template.machine] or [template.loop] with what is to be described once")
		}
		one.close()
		byName[name] = one
	}
	for _, kind := range []string{"machine", "loop"} {
		if list, is := t.m[kind].([]map[string]any); is {
			for i, one := range t.tables(kind) {
				like, ok := one.text("like")
				if !ok {
					continue
				}
				from, has := map[string]any(nil), false
				if byName[like] != nil {
					from, has = byName[like].m[kind].(map[string]any)
				}
				if !has {
					one.unknown("like", like, "template of a "+kind, slices.Sorted(maps.Keys(byName)))
					continue
				}
				r.like[fmt.Sprintf("%s[%d]", kind, i)] = like
				complete(list[i], from)
			}
		}
	}
}

// complete adds to one table what another has and it has not. No table is shared
// by the two.
func complete(into, from map[string]any) {
	for key, v := range from { // any order: each key is on its own
		own, has := into[key]
		switch v := v.(type) {
		case map[string]any:
			if !has {
				own = map[string]any{}
				into[key] = own
			}
			if m, is := own.(map[string]any); is {
				complete(m, v)
			}
		case []map[string]any:
			if list, is := own.([]map[string]any); is || !has {
				into[key] = completeList(list, v)
			}
		default:
			if !has {
				into[key] = v
			}
		}
	}
}

// completeList keeps a list's own entries where they are, and adds those of the other
// list that it has not.
func completeList(list, from []map[string]any) []map[string]any {
	for _, other := range from {
		at := slices.IndexFunc(list, func(one map[string]any) bool { return one["name"] != nil && one["name"] == other["name"] })
		if at < 0 {
			list = append(list, map[string]any{})
			at = len(list) - 1
		}
		complete(list[at], other)
	}
	return list
}
