package config

import (
	"bytes"
	"net"
	"net/netip"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"offsetbridge/internal/account"
	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
)

// Page says where people open the page. Without an address there is none.
type Page struct {
	Listen            string // "host:port"; "" is no page
	CertFile, KeyFile string // both or neither; the page makes a certificate of its own where others can reach it and there is none
	Watch             bool   // whoever opens it sees it, without signing in
	Idle              time.Duration
	Language          string      // of its texts where nobody has chosen; "" is what the browser asks for
	Unit              length.Unit // of sizes where nobody has chosen
	Texts             string      // folder of the shop's own catalogues of texts, "" for none
}

// language is how a language is named (ISO 639).
var language = regexp.MustCompile(`^[a-z]{2,3}$`)

// maxPeople bounds the people of one shop.
const maxPeople = 500

func (c *Config) readPage(top *table, dir string) {
	t := top.table("page")
	if t == nil {
		t = &table{r: top.r, kind: "page", key: "page", path: "page"}
	}
	p := &c.Page
	p.Idle, _ = t.duration("idle", 10*time.Minute, time.Minute, 12*time.Hour)
	p.Watch = t.flag("watch")
	p.CertFile, p.KeyFile = t.file("cert_file", dir), t.file("key_file", dir)
	t.pair("cert_file", "key_file")
	if s, ok := t.text("language"); ok {
		p.Language = s
		if !language.MatchString(s) {
			t.problem("language", "is not the short name of a language, write it as in \"de\"")
		}
	}
	p.Unit = length.MM
	if s, ok := t.choice("unit", string(length.MM), string(length.IN)); ok {
		p.Unit = length.Unit(s)
	}
	p.Texts = t.file("texts", dir)
	if s, ok := t.text("listen"); ok {
		p.Listen = s
		t.listen(s)
	} else if len(t.m) > 0 && !t.has("listen") {
		t.problem("listen", "is missing, write an address as in \"127.0.0.1:8080\", or leave out the whole section: then there is no page")
	}
	t.close()
	c.readPeople(top)
	c.readTokens(top)
	if p.Listen != "" && len(c.People) == 0 {
		t.warn("listen", "opens the page, and there is no [[person]]: nobody can decide anything there but who types the one-time code that the program prints at its start, and is an engineer then")
	}
}

// listen checks an address to listen on.
func (t *table) listen(s string) {
	host, port, err := net.SplitHostPort(s)
	n, bad := strconv.ParseUint(port, 10, 16)
	switch {
	case err != nil || bad != nil || n == 0:
		t.problem("listen", "is not an address with its port, write one as in \"127.0.0.1:8080\"")
	case host != "" && host != "localhost" && !isAddress(host):
		t.problem("listen", "has a name in place of an address, write one of this computer's addresses as in \"127.0.0.1:8080\", or \":8443\" for all of them")
	}
}

func isAddress(host string) bool {
	_, err := netip.ParseAddr(host)
	return err == nil
}

// FirstPerson is where who came in with a one-time code is kept.
func (c *Config) FirstPerson() string {
	return filepath.Join(c.Journal.Directory, "first-person.json")
}

func loopback(host string) bool {
	a, err := netip.ParseAddr(host)
	return host == "localhost" || err == nil && a.Unmap().IsLoopback()
}

// OwnCertificate is where the page keeps the certificate that it makes for itself.
func (c *Config) OwnCertificate() string {
	return filepath.Join(c.Journal.Directory, "page-certificate.pem")
}

var personID = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9_-]{0,31}$`)

func (c *Config) readPeople(top *table) {
	tables := top.tables("person")
	if len(tables) > maxPeople {
		tables[maxPeople].about("is one too many, name at most %d people", maxPeople)
		tables = tables[:maxPeople]
	}
	ids, names := map[string]bool{}, map[string]bool{}
	for _, t := range tables {
		p := account.Person{Name: t.name(false)}
		if s, ok := t.need("id", "what the record holds in place of the name, as in \"p07\""); ok {
			p.ID = s
			switch {
			case !personID.MatchString(s):
				t.problem("id", "is not a short word, write at most 32 letters, digits, - and _, as in \"p07\"")
			case ids[strings.ToLower(s)]:
				t.problem("id", "is another person's, give each one of their own and never one that was used before")
			}
			ids[strings.ToLower(s)] = true
		}
		if names[p.Name] && p.Name != "" {
			t.problem("name", "is taken by another person, tell them apart")
		}
		names[p.Name] = true
		if !t.has("role") {
			t.problem("role", "is missing, write operator, setter, engineer or viewer")
		} else if s, ok := t.choice("role", string(core.Viewer), string(core.Operator), string(core.Setter), string(core.Engineer)); ok {
			p.Role = core.Role(s)
		}
		if s, ok := t.need("pin", "the hash of a PIN, as `offsetbridge account pin` prints it"); ok {
			p.Hash = s
			if err := account.CheckHash(s); err != nil {
				t.problem("pin", "is %s", plain(err, s))
			}
		}
		t.close()
		c.People = append(c.People, p)
	}
}

// checkPeople refuses the PINs of the demonstration beside a real machine:
// everybody knows them.
func (c *Config) checkPeople(tables []*table) {
	if !slices.ContainsFunc(c.Machines, func(m Machine) bool { return !m.Demo }) {
		return
	}
	for i, p := range c.People {
		if p.Hash != "" && bytes.Contains(Demo, []byte(p.Hash)) {
			tables[i].problem("pin", "is one of the demonstration, which everybody knows: make one of its own with `offsetbridge account pin`")
		}
	}
}
