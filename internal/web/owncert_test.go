package web

import (
	"crypto/tls"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"

	"offsetbridge/internal/account"
)

// shownBy returns the fingerprint that a client sees, and checks that the
// certificate is good for the name it asks for.
func shownBy(t *testing.T, l *Listener, at time.Time) string {
	t.Helper()
	_, port, _ := strings.Cut(strings.TrimPrefix(l.URL(), "https://[::]"), ":")
	c, err := tls.Dial("tcp", "127.0.0.1:"+strings.Trim(port, "/"), &tls.Config{InsecureSkipVerify: true})
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	cert := c.ConnectionState().PeerCertificates[0]
	if err := cert.VerifyHostname("127.0.0.1"); err != nil {
		t.Error(err)
	}
	if at.Before(cert.NotBefore) || at.Add(ownSpare/2).After(cert.NotAfter) || cert.NotAfter.Sub(cert.NotBefore) > 825*24*time.Hour {
		t.Errorf("at %s it is good from %s to %s", at, cert.NotBefore, cert.NotAfter)
	}
	return Fingerprint(cert)
}

// Where others can reach the page and no certificate is configured, it makes one,
// keeps it for itself alone, says its fingerprint and replaces it before its end.
func TestThePageMakesItsOwnCertificate(t *testing.T) {
	seen, lines := observer.New(zap.InfoLevel)
	file := filepath.Join(t.TempDir(), "own.pem")
	now := time.Now()
	start := func() *Listener {
		l, err := New(Options{Plant: &plant{}, Log: zap.New(seen)}).ListenPage(PageOptions{
			Listen: ":0", OwnFile: file, House: account.New(account.Options{People: people}), Now: func() time.Time { return now },
		})
		if err != nil {
			t.Fatal(err)
		}
		return l
	}
	l := start()
	print := shownBy(t, l, now)
	info, err := os.Stat(file)
	if err != nil || info.Mode() != 0o600 {
		t.Errorf("its file: %v, mode %v, want 0600", err, info.Mode())
	}
	if all := lines.FilterFieldKey("sha256").FilterMessageSnippet("shows").All(); len(all) != 1 || all[0].ContextMap()["sha256"] != print {
		t.Errorf("the log says %v, a client sees %s", all, print)
	}
	if c, err := ReadCertificate(file); err != nil || Fingerprint(c) != print {
		t.Errorf("the file holds another: %v", err)
	}
	l.Close()

	l = start()
	defer l.Close()
	if again := shownBy(t, l, now); again != print {
		t.Errorf("after a restart it is another: %s, %s", again, print)
	}
	now = now.Add(ownFor - ownSpare - time.Hour)
	if again := shownBy(t, l, now); again != print {
		t.Error("it was renewed too early")
	}
	now = now.Add(2 * time.Hour)
	renewed := shownBy(t, l, now)
	if renewed == print {
		t.Error("it was not renewed before its end")
	}
	if c, err := ReadCertificate(file); err != nil || Fingerprint(c) != renewed {
		t.Errorf("the renewed one is not kept: %v", err)
	}
}

// An own certificate is never plain HTTP's way out, and this computer alone needs
// none.
func TestOwnCertificateOnlyWhereOthersReach(t *testing.T) {
	file := filepath.Join(t.TempDir(), "own.pem")
	server := New(Options{Plant: &plant{}, Log: zap.NewNop()})
	house := account.New(account.Options{People: people})
	l, err := server.ListenPage(PageOptions{Listen: "127.0.0.1:0", OwnFile: file, House: house})
	if err != nil {
		t.Fatal(err)
	}
	l.Close()
	if _, err := os.Stat(file); err == nil || !strings.HasPrefix(l.URL(), "http://") {
		t.Errorf("on loopback: %s, file %v", l.URL(), err)
	}
	if l, err = server.ListenPage(PageOptions{Listen: ":0", OwnFile: file, House: house}); err != nil {
		t.Fatal(err)
	}
	addr := l.listen.Addr().String()
	c := http.Client{Timeout: 5 * time.Second}
	if resp, err := c.Get("http://127.0.0.1" + addr[strings.LastIndex(addr, ":"):] + "/"); err == nil {
		resp.Body.Close() //nolint:errcheck // only its status counts
		if resp.StatusCode != http.StatusBadRequest {
			t.Errorf("plain HTTP is answered with %s", resp.Status)
		}
	}
	l.Close()
	for name, spoil := range map[string]func() error{
		"read by others": func() error { return os.Chmod(file, 0o644) },
		"damaged":        func() error { return os.WriteFile(file, []byte("-----BEGIN"), 0o600) },
	} {
		os.Chmod(file, 0o600) //nolint:errcheck // the next line shows it
		if err := spoil(); err != nil {
			t.Fatal(err)
		}
		if l, err := server.ListenPage(PageOptions{Listen: ":0", OwnFile: file, House: house}); err == nil || !strings.Contains(err.Error(), "remove it") {
			t.Errorf("%s: %v", name, err)
			if l != nil {
				l.Close()
			}
		}
	}
}
