package control

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"syscall"
	"time"
)

// Client talks to a running daemon.
type Client struct {
	path string
	http http.Client
}

// Dial returns a client for the socket at path. Nothing is opened before the first request.
func Dial(path string) *Client {
	dial := func(ctx context.Context, _, _ string) (net.Conn, error) {
		return (&net.Dialer{}).DialContext(ctx, "unix", path)
	}
	return &Client{path: path, http: http.Client{Timeout: 30 * time.Second, Transport: &http.Transport{DialContext: dial}}}
}

// Alarms asks for all alarms.
func (c *Client) Alarms(ctx context.Context) ([]Alarm, error) {
	var list []Alarm
	_, err := c.do(ctx, http.MethodGet, "/alarms", nil, &list)
	return list, err
}

// Command sends a command. A refusal is a response that is not done, not an error.
func (c *Client) Command(ctx context.Context, request Request) (Response, error) {
	body, err := json.Marshal(request)
	if err != nil {
		return Response{}, err
	}
	var response Response
	code, err := c.do(ctx, http.MethodPost, "/command", body, &response)
	if err == nil && code != http.StatusOK && code != http.StatusConflict {
		return response, errors.New(response.Reason)
	}
	return response, err
}

func (c *Client) do(ctx context.Context, method, path string, body []byte, into any) (int, error) {
	request, err := http.NewRequestWithContext(ctx, method, "http://daemon"+path, bytes.NewReader(body))
	if err != nil {
		return 0, err
	}
	answer, err := c.http.Do(request)
	if err != nil {
		return 0, c.explain(err)
	}
	defer answer.Body.Close()
	data, err := io.ReadAll(io.LimitReader(answer.Body, 4<<20))
	if err != nil {
		return 0, fmt.Errorf("reading the answer of the daemon: %w", err)
	}
	if err := json.Unmarshal(data, into); err != nil {
		return 0, fmt.Errorf("the daemon's answer is not understood: %w", err)
	}
	return answer.StatusCode, nil
}

// explain says what a failed connection means and what to do.
func (c *Client) explain(err error) error {
	switch {
	case errors.Is(err, os.ErrNotExist), errors.Is(err, syscall.ECONNREFUSED):
		return fmt.Errorf("no daemon answers at %s: is dewline running, and with this control socket?", c.path)
	case errors.Is(err, os.ErrPermission):
		return fmt.Errorf("%s belongs to the user the daemon runs as: run this as that user, or with sudo", c.path)
	}
	return fmt.Errorf("talking to the daemon at %s: %w", c.path, err)
}
