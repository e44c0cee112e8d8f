package machine

import (
	"bytes"
	"crypto/x509"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"

	sim "offsetbridge/simulators/machine"
)

// Where neither certificate nor key is there, both are made once, for however
// many machines share them, and used from then on.
func TestOwnCertificateIsMade(t *testing.T) {
	t.Parallel()
	core, logs := observer.New(zap.WarnLevel)
	dir := t.TempDir()
	own := Security{CertificateFile: filepath.Join(dir, "own.pem"), KeyFile: filepath.Join(dir, "own-key.pem")}
	r := startSim(t, func(o *sim.Options) { o.Secure, o.User, o.Password = true, "bridge", "open sesame" })
	set := func(o *Options) {
		o.Security.CertificateFile, o.Security.KeyFile, o.Log = own.CertificateFile, own.KeyFile, zap.New(core)
	}
	var both sync.WaitGroup
	for range 2 {
		s := play(t, r, set)
		both.Go(s.live)
	}
	both.Wait()
	if n := logs.FilterMessageSnippet("a certificate of our own was made").Len(); n != 1 {
		t.Errorf("it was made %d times", n)
	}
	if n := logs.FilterMessageSnippet("our own certificate").Len(); n != 0 {
		t.Errorf("a certificate of %d years is complained about", ownYears)
	}
	cert, err := os.ReadFile(own.CertificateFile)
	if err != nil {
		t.Fatal(err)
	}
	if info, err := os.Stat(own.KeyFile); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("the key's file: %v %v", info.Mode(), err)
	}
	if left, err := os.ReadDir(dir); err != nil || len(left) != 2 {
		t.Errorf("the folder holds %v, %v", left, err)
	}
	s := play(t, r, set)
	s.live()
	if now, err := os.ReadFile(own.CertificateFile); err != nil || !bytes.Equal(now, cert) {
		t.Errorf("a certificate that was there was replaced: %v", err)
	}
	_, _, uri, err := ownKeys(&s.o)
	if err != nil || !strings.HasPrefix(uri, "urn:") || !strings.HasSuffix(uri, ":offsetbridge:client") {
		t.Errorf("it names the application %q, %v", uri, err)
	}
}

// What is there is never touched: half of a pair, and a file that is no key.
func TestOwnCertificateIsNeverReplaced(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		cert, key string
		say       string
	}{
		"the key is gone":         {cert: "kept", say: "is missing but its certificate"},
		"the certificate is gone": {key: "kept", say: "is missing but its key"},
		"neither is one":          {cert: "kept", key: "kept"},
		"an empty file":           {cert: " ", key: " "},
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			o := Options{Wall: time.Now, Log: zap.NewNop(), Security: Security{
				Mode: "SignAndEncrypt", CertificateFile: filepath.Join(dir, "own.pem"), KeyFile: filepath.Join(dir, "own-key.pem"),
			}}
			files := map[string]string{o.Security.CertificateFile: c.cert, o.Security.KeyFile: c.key}
			for path, text := range files {
				if text == "" {
					continue
				}
				if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
					t.Fatal(err)
				}
			}
			err := ensureIdentity(&o)
			if (err != nil) != (c.say != "") || err != nil && !strings.Contains(err.Error(), c.say) {
				t.Errorf("says %v, want %q", err, c.say)
			}
			for path, text := range files {
				now, err := os.ReadFile(path)
				if string(now) != text || os.IsNotExist(err) != (text == "") {
					t.Errorf("%s holds %q, %v", filepath.Base(path), now, err)
				}
			}
		})
	}
}

// Without a folder to be in, or with somebody else's file in the way, it says so
// and leaves nothing behind.
func TestOwnCertificateCannotBeMade(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	o := Options{Wall: time.Now, Log: zap.NewNop(), Security: Security{
		Mode: "SignAndEncrypt", CertificateFile: filepath.Join(dir, "none", "own.pem"), KeyFile: filepath.Join(dir, "own-key.pem"),
	}}
	if err := ensureIdentity(&o); err == nil || !strings.Contains(err.Error(), "cannot be saved") {
		t.Errorf("says %v", err)
	}
	if left, err := os.ReadDir(dir); err != nil || len(left) != 0 {
		t.Errorf("the folder holds %v, %v", left, err)
	}
	o.Security.CertificateFile = o.Security.KeyFile
	if err := ensureIdentity(&o); err == nil || !strings.Contains(err.Error(), "each its own file") {
		t.Errorf("both in one file: %v", err)
	}
	o.Security.Mode = "None"
	if err := ensureIdentity(&o); err != nil {
		t.Errorf("made though it is not needed: %v", err)
	}
}

// Our own certificate's end is told ahead, and when it has come.
func TestOwnCertificateEnds(t *testing.T) {
	t.Parallel()
	der, _, err := newIdentity(time.Now())
	if err != nil {
		t.Fatal(err)
	}
	cert, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		at  time.Time
		say string
	}{
		"now":        {time.Now(), ""},
		"soon":       {cert.NotAfter.AddDate(0, 0, -29), "expires soon"},
		"afterwards": {cert.NotAfter.Add(time.Second), "has expired"},
	} {
		core, logs := observer.New(zap.WarnLevel)
		ownDates(der, &Options{Wall: func() time.Time { return c.at }, Log: zap.New(core)})
		if n := logs.Len(); (n == 0) != (c.say == "") || n > 0 && !strings.Contains(logs.All()[0].Message, c.say) {
			t.Errorf("%s: %v", name, logs.All())
		}
	}
}
