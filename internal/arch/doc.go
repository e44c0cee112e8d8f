// Package arch holds the house rules as tests: which room may import which, that
// decisions are pure, and that every package states its contract. It has no code.
package arch
