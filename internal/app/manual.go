package app

import (
	"offsetbridge/config"
	"offsetbridge/internal/core"
	"offsetbridge/internal/manual"
)

// Manual puts the manual together from its pages, the commented configuration and
// the sentences of every edge.
func Manual() (*manual.Manual, error) {
	words := map[string]string{}
	for _, c := range core.Codes() {
		words[string(c)] = c.Words()
	}
	return manual.New(manual.Sources{Cell: config.Cell, Words: words})
}
