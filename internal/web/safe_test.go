package web

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"math/big"
	"net"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/zap"

	"offsetbridge/internal/account"
)

func TestAnotherSiteCanDoNothing(t *testing.T) {
	s := open(t, true)
	b := s.browser(t)
	b.signIn("p2", "805133")
	for _, origin := range []string{"http://evil.example", "null", "", "http://127.0.0.1:1", "https://" + strings.TrimPrefix(b.base, "http://") + ".evil.example"} {
		b.origin = origin
		for _, p := range []string{approve17, "/v1/hold", "/v1/session", "/v1/session/proof"} {
			if status, code := b.post(p, `{}`); status != http.StatusForbidden || code != "origin" {
				t.Errorf("POST %s from %q: %d %s", p, origin, status, code)
			}
		}
		if status, code := b.ask("DELETE", "/v1/session", "", nil); status != http.StatusForbidden || code != "origin" {
			t.Errorf("DELETE from %q: %d %s", origin, status, code)
		}
	}
	b.origin = b.base
	r, _ := http.NewRequest("POST", b.base+"/v1/hold", strings.NewReader("{}")) //nolint:errcheck // a good URL
	r.Header.Set("Origin", b.base)
	r.Header.Set("Sec-Fetch-Site", "cross-site")
	r.Header.Set("Content-Type", "application/json")
	resp, err := b.http.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	if resp.Body.Close(); resp.StatusCode != http.StatusForbidden {
		t.Errorf("Sec-Fetch-Site: cross-site: %d", resp.StatusCode)
	}
	r, _ = http.NewRequest("GET", b.base+"/", nil) //nolint:errcheck // a good URL
	r.Host = "evil.example"
	if resp, err = b.http.Do(r); err != nil {
		t.Fatal(err)
	}
	if resp.Body.Close(); resp.StatusCode != http.StatusMisdirectedRequest {
		t.Errorf("a foreign name for this computer: %d", resp.StatusCode)
	}
	if n := len(s.plant.made()); n != 0 {
		t.Errorf("%d things happened", n)
	}
}

func TestABodyThatIsTooLargeIsRefused(t *testing.T) {
	s := open(t, true)
	b := s.browser(t)
	b.signIn("p1", "274916")
	for _, p := range []string{"/v1/session", approve17, "/v1/hold"} {
		if status, code := b.post(p, `{"note":"`+strings.Repeat("x", 8<<20)+`"}`); status != http.StatusRequestEntityTooLarge || code != "size" {
			t.Errorf("POST %s with 8 MiB: %d %s", p, status, code)
		}
		r, _ := http.NewRequest("POST", b.base+p, io.MultiReader(strings.NewReader(`{"note":"`), strings.NewReader(strings.Repeat("x", 1<<20)))) //nolint:errcheck // a good URL
		r.Header.Set("Origin", b.base)
		r.Header.Set("Content-Type", "application/json")
		resp, err := b.http.Do(r) // of unknown length
		if err != nil {
			t.Fatal(err)
		}
		if resp.Body.Close(); resp.StatusCode != http.StatusRequestEntityTooLarge {
			t.Errorf("POST %s with chunks: %d", p, resp.StatusCode)
		}
	}
}

// 300 clients that send slowly or nothing are cut off, after ten seconds by what the
// server is set to, and meanwhile everybody else is served.
func TestSlowClientsAreCutOff(t *testing.T) {
	if headFor > 10*time.Second || bodyFor > 10*time.Second {
		t.Errorf("a head may take %s and a body %s", headFor, bodyFor)
	}
	s := open(t, true)
	where, _ := url.Parse(s.URL()) //nolint:errcheck // our own
	began := time.Now()
	var all sync.WaitGroup
	var mu sync.Mutex
	longest := time.Duration(0)
	for i := range 300 {
		all.Go(func() {
			c, err := net.Dial("tcp", where.Host)
			if err != nil {
				t.Error(err)
				return
			}
			defer c.Close()
			if i%3 > 0 {
				fmt.Fprintf(c, "POST /v1/session HTTP/1.1\r\nHost: %s\r\n", where.Host)
			}
			if i%3 == 2 {
				fmt.Fprintf(c, "Origin: http://%s\r\nContent-Type: application/json\r\nContent-Length: 100\r\n\r\n{", where.Host)
			}
			c.SetReadDeadline(time.Now().Add(time.Minute)) //nolint:errcheck // a socket has one
			_, err = io.Copy(io.Discard, c)
			var late net.Error
			if errors.As(err, &late) && late.Timeout() {
				t.Errorf("client %d is still connected", i)
			}
			mu.Lock()
			defer mu.Unlock()
			longest = max(longest, time.Since(began))
		})
	}
	b := s.browser(t)
	for range 10 {
		if status, _ := b.ask("GET", "/v1/board", "", nil); status != http.StatusOK {
			t.Errorf("somebody else gets %d", status)
		}
	}
	all.Wait()
	t.Logf("the last one was cut off after %s", longest.Round(time.Millisecond))
}

func TestCookiesAreForThePageAlone(t *testing.T) {
	s := open(t, true)
	b := s.browser(t)
	r, _ := http.NewRequest("POST", b.base+"/v1/session", strings.NewReader(`{"person":"p1","pin":"274916"}`)) //nolint:errcheck // a good URL
	r.Header.Set("Origin", b.base)
	r.Header.Set("Content-Type", "application/json")
	resp, err := b.http.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	if n := len(resp.Cookies()); n != 2 {
		t.Fatalf("%d cookies", n)
	}
	for _, c := range resp.Cookies() {
		if !c.HttpOnly || c.SameSite != http.SameSiteStrictMode || len(c.Value) < 40 || c.Secure {
			t.Errorf("cookie %+v", c)
		}
	}
}

func TestThePageLoadsNothingFromElsewhere(t *testing.T) {
	s := open(t, true)
	b := s.browser(t)
	resp, err := b.http.Get(b.base + "/")
	if err != nil {
		t.Fatal(err)
	}
	resp.Body.Close()
	if got := resp.Header.Get("Content-Security-Policy"); got != policy || strings.Contains(got, "unsafe") || !strings.Contains(got, "frame-ancestors 'none'") {
		t.Errorf("policy: %s", got)
	}
	scripts := 0
	files, err := filepath.Glob("static/*")
	if err != nil || len(files) == 0 {
		t.Fatal("no files", err)
	}
	drawn, err := filepath.Glob("places/*.html")
	if err != nil || len(drawn) == 0 {
		t.Fatal("no places", err)
	}
	for _, f := range append(files, drawn...) {
		body, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		for _, bad := range []string{"http://", "https://", "@import", "eval(", "innerHTML", "style=\"", "onclick="} {
			if i := strings.Index(strings.ReplaceAll(string(body), "http://www.w3.org/2000/svg", ""), bad); i >= 0 {
				t.Errorf("%s holds %q", f, bad)
			}
		}
		if strings.HasSuffix(f, ".js") {
			scripts += len(body)
		}
	}
	if scripts > 30_000 {
		t.Errorf("all scripts together have %d bytes, want at most 30,000", scripts)
	}
}

func TestThePageIsNotOpenedToOthersInPlainText(t *testing.T) {
	server := New(Options{Plant: &plant{}, Log: zap.NewNop()})
	house := account.New(account.Options{People: people})
	for _, where := range []string{":0", "0.0.0.0:0", "[::]:0"} {
		l, err := server.ListenPage(PageOptions{Listen: where, House: house})
		if !errors.Is(err, ErrOpen) {
			t.Errorf("%s: %v, want ErrOpen", where, err)
		}
		if l != nil {
			l.Close()
		}
	}
	cert, key := certificate(t)
	l, err := server.ListenPage(PageOptions{Listen: "127.0.0.1:0", CertFile: cert, KeyFile: key, House: house})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	if !strings.HasPrefix(l.URL(), "https://") {
		t.Errorf("URL = %s", l.URL())
	}
	pool := x509.NewCertPool()
	body, _ := os.ReadFile(cert) //nolint:errcheck // written above
	pool.AppendCertsFromPEM(body)
	c := &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: pool}}}
	resp, err := c.Get(l.URL())
	if err != nil {
		t.Fatal(err)
	}
	if resp.Body.Close(); resp.StatusCode != http.StatusOK || resp.Header.Get("Strict-Transport-Security") == "" {
		t.Errorf("%s %v", resp.Status, resp.Header)
	}
	if _, err := server.ListenPage(PageOptions{Listen: "127.0.0.1:0", CertFile: cert, KeyFile: cert, House: house}); err == nil {
		t.Error("a certificate without its key is taken")
	}
}

// certificate makes one of its own for 127.0.0.1.
func certificate(t *testing.T) (cert, key string) {
	t.Helper()
	k, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	c := &x509.Certificate{SerialNumber: big.NewInt(1), NotAfter: time.Now().Add(time.Hour), IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: true, BasicConstraintsValid: true}
	der, err := x509.CreateCertificate(rand.Reader, c, c, &k.PublicKey, k)
	if err != nil {
		t.Fatal(err)
	}
	raw, err := x509.MarshalPKCS8PrivateKey(k)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	cert, key = filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	for path, b := range map[string]*pem.Block{cert: {Type: "CERTIFICATE", Bytes: der}, key: {Type: "PRIVATE KEY", Bytes: raw}} {
		if err := os.WriteFile(path, pem.EncodeToMemory(b), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return cert, key
}
