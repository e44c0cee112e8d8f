package intake

import (
	"fmt"
	"strconv"
	"strings"
)

// node is a place in the message that one or more mapped pointers lead through.
type node struct {
	fields   uint32 // bit per field that ends here
	branches []branch
}

type branch struct {
	key   string
	index int // of an array element; -1 when the token is no index
	node  *node
}

// buildTree joins the pointers of a gauge. A bare number is the root itself.
func buildTree(g Gauge) (*node, error) {
	root := &node{}
	if g.BareNumber {
		root.fields = 1 << fValue
	}
	for f, s := range g.Fields.list() {
		if !strings.HasPrefix(s.Pointer, "/") {
			continue
		}
		n := root
		for token := range strings.SplitSeq(s.Pointer[1:], "/") {
			n = n.grow(strings.ReplaceAll(strings.ReplaceAll(token, "~1", "/"), "~0", "~"))
		}
		n.fields |= 1 << f
	}
	return root, root.check("")
}

func (n *node) grow(key string) *node {
	for _, b := range n.branches {
		if b.key == key {
			return b.node
		}
	}
	index := -1
	if i, err := strconv.Atoi(key); err == nil && i >= 0 && strconv.Itoa(i) == key {
		index = i
	}
	child := &node{}
	n.branches = append(n.branches, branch{key, index, child})
	return child
}

// check refuses trees that no message could satisfy or that case could confuse.
func (n *node) check(path string) error {
	if n.fields != 0 && len(n.branches) > 0 {
		return fmt.Errorf("%s is mapped as a value and as something with values inside", quote(path))
	}
	for i, b := range n.branches {
		for _, o := range n.branches[:i] {
			if strings.EqualFold(b.key, o.key) {
				return fmt.Errorf("%s and %s differ only by upper and lower case", quote(path+"/"+o.key), quote(path+"/"+b.key))
			}
		}
		if err := b.node.check(path + "/" + b.key); err != nil {
			return err
		}
	}
	return nil
}

// key returns where an object's member leads, nil when no pointer does, and
// whether its key is a mapped one in another case.
func (n *node) key(k string) (child *node, folded bool) {
	if n == nil {
		return nil, false
	}
	for i := range n.branches {
		if n.branches[i].key == k {
			return n.branches[i].node, false
		}
	}
	for i := range n.branches {
		if strings.EqualFold(n.branches[i].key, k) {
			return nil, true
		}
	}
	return nil, false
}

// element returns where an array's element leads, nil when no pointer does.
func (n *node) element(index int) *node {
	if n == nil {
		return nil
	}
	for i := range n.branches {
		if n.branches[i].index == index {
			return n.branches[i].node
		}
	}
	return nil
}
