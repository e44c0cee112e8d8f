package main

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"
)

func call(t *testing.T, args ...string) (code int, out, errs string) {
	t.Helper()
	var o, e bytes.Buffer
	code = command(args, &o, &e)
	return code, o.String(), e.String()
}

func TestTableIsTheSameTwice(t *testing.T) {
	args := []string{"-seeds", "2", "-parts", "150", "-scenario", "s1,S10", "-table", "both"}
	code, first, errs := call(t, args...)
	if code != 0 || errs != "" {
		t.Fatalf("exit %d, %q", code, errs)
	}
	if _, second, _ := call(t, args...); second != first {
		t.Error("the same flags gave another table")
	}
	for _, want := range []string{
		"seeds 1 to 2, 150 parts", "public scenarios: rms ÷ bound",
		"redrawn scenarios", "S10", "+regauge", "Ppk", "adjustments per 100 parts",
	} {
		if !strings.Contains(first, want) {
			t.Errorf("no %q in\n%s", want, first)
		}
	}
	if strings.Contains(first, "S2 ") {
		t.Error("a scenario that was not asked for")
	}
	if _, few, _ := call(t, append(args, "-columns", "none")...); strings.Contains(few, "mean5") || !strings.Contains(few, "     none     core    goal") {
		t.Errorf("columns that were not asked for, or not the ones that were:\n%s", few)
	}
	if _, other, _ := call(t, append(args, "-first", "5")...); other == first {
		t.Error("other seeds gave the same table")
	}
}

func TestJSON(t *testing.T) {
	code, out, _ := call(t, "-json", "-seeds", "2", "-parts", "200", "-scenario", "S0", "-table", "redrawn", "-delay", "3")
	var r Result
	if err := json.Unmarshal([]byte(out), &r); err != nil || code != 0 {
		t.Fatalf("exit %d, %v", code, err)
	}
	if len(r.Tables) != 1 || r.Tables[0].Name != "redrawn" || len(r.Tables[0].Rows) != 1 {
		t.Fatalf("%+v", r)
	}
	row := r.Tables[0].Rows[0]
	if row.ID != "S0" || row.Bound <= 0 || len(row.Cells) != 11 || row.Goal != 0 || !row.Met {
		t.Errorf("%+v", row)
	}
	for _, c := range row.Cells {
		if c.RMS <= 0 || c.Ratio <= 0 {
			t.Errorf("%+v", c)
		}
	}
}

func TestCheckAndErrors(t *testing.T) {
	if code, _, _ := call(t, "-check", "-seeds", "6", "-scenario", "S1", "-table", "public"); code != 0 {
		t.Errorf("S1 misses its goal: exit %d", code)
	}
	if code, _, _ := call(t, "-check", "-seeds", "3", "-parts", "100", "-scenario", "S4", "-table", "public"); code != 1 {
		t.Errorf("with the start of a warm-up only: exit %d, want 1", code)
	}
	code, out, errs := call(t, "-seeds", "0", "-delay", "-1", "-scenario", "S99", "-table", "x", "-dead", "-1", "-cost", "0", "-columns", "x,core", "more")
	if code != 2 || out != "" {
		t.Errorf("exit %d, output %q", code, out)
	}
	for _, want := range []string{"-seeds 0", "-delay -1", `"S99"`, `-table "x"`, "-dead -1", "-cost 0", `-columns "x,core"`, `"more"`} {
		if !strings.Contains(errs, want) {
			t.Errorf("no %s in %q", want, errs)
		}
	}
	if code, _, errs := call(t, "-h"); code != 0 || !strings.Contains(errs, "-regauge") && !strings.Contains(errs, "-seeds") {
		t.Errorf("help: exit %d, %q", code, errs)
	}
}
