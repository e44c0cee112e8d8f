package web

import (
	"net/http"
	"reflect"
	"testing"

	"offsetbridge/internal/core"
)

func TestWhatSomebodyDoesAtAMachineReachesIt(t *testing.T) {
	s := open(t, false)
	b := s.browser(t)
	b.signIn("p2", "805133")
	who := core.Person{Principal: "p2", Role: core.Setter, Auth: "pin"}
	for _, x := range []struct {
		path, body string
		want       core.Fact
	}{
		{"/v1/machines/mill/tools/T%2012/new", `{}`, core.Renew{Tool: "T 12", Who: who}},
		{"/v1/machines/mill/loops/bore/back", `{}`, core.PutBack{Loop: "bore", Who: who}},
		{"/v1/machines/mill/loops/bore/step", `{}`, core.StepTest{Loop: "bore", Who: who}},
		{"/v1/machines/mill/loops/bore/step", `{"register":"T12 D","size":"-8 um"}`, core.StepTest{Loop: "bore", Register: "T12 D", Size: -8_000, Who: who}},
		{"/v1/machines/mill/loops/bore/first", `{"part":"57","note":"good"}`, core.SignFirst{Loop: "bore", Part: "57", Note: "good", Who: who}},
		{"/v1/machines/mill/tasks", `{"gauge":"g","characteristic":"c","part":"58","cut":2}`, core.Task{Gauge: "g", Characteristic: "c", Part: "58", Cut: 2, For: 600_000, Who: who}},
		{"/v1/machines/mill/tasks", `{"gauge":"g","characteristic":"c","then":["d","e"],"part":"58"}`, core.Task{Gauge: "g", Characteristic: "c", Then: []string{"d", "e"}, Part: "58", For: 600_000, Who: who}},
		{"/v1/machines/mill/tasks", `{"gauge":"g","ring":"r","minutes":3}`, core.Task{Gauge: "g", Ring: "r", For: 180_000, Who: who}},
		{"/v1/machines/mill/tasks", `{"gauge":"g"}`, core.Task{Gauge: "g", For: 600_000, Who: who}},
	} {
		n := len(s.plant.made())
		if status, code := b.post(x.path, x.body); status != http.StatusOK {
			t.Errorf("%s %s: %d %s", x.path, x.body, status, code)
			continue
		}
		if all := s.plant.made(); len(all) != n+1 || !reflect.DeepEqual(all[n], x.want) {
			t.Errorf("%s %s: %+v, want %+v", x.path, x.body, all[n:], x.want)
		}
	}
	n := len(s.plant.made())
	b.signIn("p3", "639152")
	for _, p := range []string{"/v1/machines/mill/tools/T12/new", "/v1/machines/mill/loops/bore/back", "/v1/machines/mill/loops/bore/step", "/v1/machines/mill/loops/bore/first", "/v1/machines/mill/tasks"} {
		if status, code := b.post(p, `{}`); status != http.StatusForbidden || code != "role" {
			t.Errorf("a viewer posts to %s: %d %s", p, status, code)
		}
	}
	if len(s.plant.made()) != n {
		t.Error("a viewer made something happen")
	}
	b.signIn("p2", "805133")
	for _, body := range []string{`{}`, `{"gauge":"g","part":"1","ring":"r"}`, `{"gauge":"g","part":"1","minutes":-1}`, `{"gauge":"g","part":"1","minutes":100000}`} {
		if status, code := b.post("/v1/machines/mill/tasks", body); status != http.StatusBadRequest || code != "task" {
			t.Errorf("%s: %d %s", body, status, code)
		}
	}
}
