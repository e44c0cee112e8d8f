package app

import (
	"io"
	"net/http"
	"strings"
	"testing"

	"offsetbridge/testdata/peers/shop"
)

// TestFiguresOfARunningProgram: off unless configured; scraped, they tell what was
// measured and decided and how things are.
func TestFiguresOfARunningProgram(t *testing.T) {
	t.Parallel()
	s := shop.Open(t, shop.Options{Metal: shop.Metal{Setup: -2_000}})
	d := start(t, s.Config(t, `mode      = "auto"`, `mode      = "confirm"`, "[mqtt]\n", "[metrics]\nlisten = \"127.0.0.1:"+freePort(t)+"\"\n\n[mqtt]\n"))
	d.live(t)
	part(t, s, d)
	scrape := func() string {
		r, err := http.NewRequestWithContext(t.Context(), http.MethodGet, d.MetricsURL(), nil)
		if err != nil {
			t.Fatal(err)
		}
		resp, err := http.DefaultClient.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close()
		body, err := io.ReadAll(resp.Body)
		if err != nil {
			t.Fatal(err)
		}
		return string(body)
	}
	for _, want := range []string{
		"offsetbridge_readings_total{", "offsetbridge_decisions_total{", "offsetbridge_last_decision_age_seconds{", "offsetbridge_from_aim_meters{",
		"offsetbridge_state_known 1\n", "offsetbridge_broker_up 1\n", "offsetbridge_journal_verified 1\n", "offsetbridge_hold_all 0\n", `offsetbridge_journal_head_records{stream="plant"} `,
		`offsetbridge_build_info{version="test"} 1`,
	} {
		shop.Wait(t, "the figures say "+want, func() bool { return strings.Contains(scrape(), want) })
	}
	if out := scrape(); strings.Contains(out, "offsetbridge_journal_bytes 0\n") {
		t.Errorf("the journal has no size:\n%s", out)
	}
	if off := start(t, shop.Open(t, shop.Options{}).Config(t)); off.MetricsURL() != "" {
		t.Errorf("figures at %s that nobody asked for", off.MetricsURL())
	}
}
