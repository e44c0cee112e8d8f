package web

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"time"
)

// Client talks to a running program over its local socket.
type Client struct {
	path string
	http *http.Client
}

// NewClient returns a client for the socket at path.
func NewClient(path string) *Client {
	dial := func(ctx context.Context, _, _ string) (net.Conn, error) {
		var d net.Dialer
		return d.DialContext(ctx, "unix", path)
	}
	return &Client{path: path, http: &http.Client{Transport: &http.Transport{DialContext: dial}, Timeout: 15 * time.Second}}
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
	req, err := http.NewRequestWithContext(ctx, method, "http://offsetbridge"+path, sent)
	if err != nil {
		return err
	}
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
