package web

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"strings"
	"time"
)

// Client talks to a running program, over its local socket or over its page's
// address with a token.
type Client struct {
	path  string // of the socket, or the address
	base  string
	token string
	http  *http.Client
}

// NewClient returns a client for the socket at path.
func NewClient(path string) *Client {
	dial := func(ctx context.Context, _, _ string) (net.Conn, error) {
		var d net.Dialer
		return d.DialContext(ctx, "unix", path)
	}
	return &Client{path: path, base: "http://offsetbridge", http: &http.Client{Transport: &http.Transport{DialContext: dial}, Timeout: 15 * time.Second}}
}

// RefusedError is an answer that says no.
type RefusedError struct {
	Status  int
	Code    string
	Message string
}

func (e *RefusedError) Error() string { return e.Message }

// ErrNotRunning says that nobody answers on the socket.
var ErrNotRunning = errors.New("nobody answers on the socket, start the program with offsetbridge run or name another configuration")

// Get asks for path and decodes the answer into out.
func (c *Client) Get(ctx context.Context, path string, query url.Values, out any) error {
	if len(query) > 0 {
		path += "?" + query.Encode()
	}
	return c.do(ctx, http.MethodGet, path, nil, out)
}

// Post sends body to path and decodes the answer into out, which may be nil.
func (c *Client) Post(ctx context.Context, path string, body, out any) error {
	return c.do(ctx, http.MethodPost, path, body, out)
}

// maxAnswer bounds an answer: 500 machines with all their loops are a few MB.
const maxAnswer = 64 << 20

func (c *Client) do(ctx context.Context, method, path string, body, out any) error {
	var sent io.Reader
	if body != nil {
		b, err := json.Marshal(body)
		if err != nil {
			return err
		}
		sent = bytes.NewReader(b)
	}
	req, err := http.NewRequestWithContext(ctx, method, c.base+path, sent)
	if err != nil {
		return err
	}
	c.sign(req)
	resp, err := c.http.Do(req)
	if err != nil {
		var op *net.OpError
		if errors.As(err, &op) && op.Op == "dial" {
			return fmt.Errorf("%q: %w", c.path, ErrNotRunning)
		}
		return fmt.Errorf("no answer from %q: %w", c.path, err)
	}
	defer resp.Body.Close() //nolint:errcheck // read to its end or given up
	answer := json.NewDecoder(io.LimitReader(resp.Body, maxAnswer))
	if resp.StatusCode >= 300 {
		var r Refusal
		if err := answer.Decode(&r); err != nil || r.Error.Message == "" {
			return fmt.Errorf("%s %s was answered with %s", method, path, resp.Status)
		}
		return &RefusedError{Status: resp.StatusCode, Code: r.Error.Code, Message: r.Error.Message}
	}
	if out == nil {
		return nil
	}
	return answer.Decode(out)
}

// Events calls f with every event from now on, from a goroutine of its own that
// ends with ctx or with the connection. It returns once it is connected.
func (c *Client) Events(ctx context.Context, f func(Entry)) error {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, c.base+"/v1/events", nil)
	if err != nil {
		return err
	}
	c.sign(req)
	live := &http.Client{Transport: c.http.Transport} // no limit on its time
	resp, err := live.Do(req)
	if err != nil {
		return fmt.Errorf("no answer from %q: %w", c.path, err)
	}
	lines := bufio.NewScanner(resp.Body)
	lines.Buffer(make([]byte, 0, 64<<10), 4<<20)
	if !lines.Scan() {
		resp.Body.Close() //nolint:errcheck // ended already
		return fmt.Errorf("%q: %w", c.path, ErrNotRunning)
	}
	go func() {
		defer resp.Body.Close() //nolint:errcheck // read to its end
		for lines.Scan() {
			var e Entry
			if data, ok := strings.CutPrefix(lines.Text(), "data: "); ok && json.Unmarshal([]byte(data), &e) == nil {
				f(e)
			}
		}
	}()
	return nil
}
