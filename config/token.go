package config

import (
	"strings"

	"offsetbridge/internal/account"
	"offsetbridge/internal/core"
)

// maxTokens bounds the integrations of one shop.
const maxTokens = 100

// readTokens reads who may use the page's interface as a program. A token's name
// stands in the record beside people's ids, so that no two may be the same.
func (c *Config) readTokens(top *table) {
	tables := top.tables("token")
	if len(tables) > maxTokens {
		tables[maxTokens].about("is one too many, name at most %d tokens", maxTokens)
		tables = tables[:maxTokens]
	}
	taken, hashes := map[string]bool{}, map[string]bool{}
	for _, p := range c.People {
		taken[strings.ToLower(p.ID)] = true
	}
	for _, t := range tables {
		k := account.Token{Name: t.name(false)}
		switch {
		case k.Name == "":
		case !personID.MatchString(k.Name):
			t.problem("name", "is not a short word, write at most 32 letters, digits, - and _, as in \"line-host\"")
		case taken[strings.ToLower(k.Name)]:
			t.problem("name", "is the id of a person or of another token, give each a name of its own")
		}
		taken[strings.ToLower(k.Name)] = true
		if !t.has("role") {
			t.problem("role", "is missing, write operator, setter, engineer or viewer")
		} else if s, ok := t.choice("role", string(core.Viewer), string(core.Operator), string(core.Setter), string(core.Engineer)); ok {
			k.Role = core.Role(s)
		}
		if s, ok := t.need("hash", "the hash of a token, as `offsetbridge account token` prints it"); ok {
			k.Hash = s
			if err := account.CheckToken(s); err != nil {
				t.problem("hash", "is %s", plain(err, s))
			} else if hashes[s] {
				t.problem("hash", "is another token's, make one for each integration")
			}
			hashes[s] = true
		}
		t.close()
		c.Tokens = append(c.Tokens, k)
	}
}
