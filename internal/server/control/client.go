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
	"slices"
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
func (c *Client) Alarms(ctx context.Context) ([]Alarm, error) { return get[[]Alarm](ctx, c, "/alarms") }

// Cohorts asks for what is in force for all cohorts.
func (c *Client) Cohorts(ctx context.Context) ([]*Cohort, error) {
	return get[[]*Cohort](ctx, c, "/cohorts")
}

// Calibrations asks for what is in force for all channels of the sensors.
func (c *Client) Calibrations(ctx context.Context) ([]Calibration, error) {
	return get[[]Calibration](ctx, c, "/calibrations")
}

// Site asks how the site shows times and values.
func (c *Client) Site(ctx context.Context) (Site, error) { return get[Site](ctx, c, "/site") }

// State asks how the daemon is.
func (c *Client) State(ctx context.Context) (State, error) { return get[State](ctx, c, "/status") }

// Notifiers asks for the state of the notifiers.
func (c *Client) Notifiers(ctx context.Context) ([]NotifierStatus, error) {
	return get[[]NotifierStatus](ctx, c, "/outlets")
}

// Compare asks for two points beside each other.
func (c *Client) Compare(ctx context.Context, r CompareRequest) (*Comparison, error) {
	return get[*Comparison](ctx, c, "/compare?"+r.query())
}

func get[T any](ctx context.Context, c *Client, path string) (found T, err error) {
	err = c.ask(ctx, http.MethodGet, path, nil, &found, http.StatusOK)
	return found, err
}

// Command sends a command. A refusal is a response that is not done, not an error.
func (c *Client) Command(ctx context.Context, request Request) (response Response, err error) {
	body, err := json.Marshal(request)
	if err != nil {
		return response, err
	}
	err = c.ask(ctx, http.MethodPost, "/command", body, &response, http.StatusOK, http.StatusConflict)
	return response, err
}

// ask sends a request and reads the answer. One without one of the expected codes holds the reason, if it is ours.
func (c *Client) ask(ctx context.Context, method, path string, body []byte, into any, expected ...int) error {
	request, err := http.NewRequestWithContext(ctx, method, "http://daemon"+path, bytes.NewReader(body))
	if err != nil {
		return err
	}
	answer, err := c.http.Do(request)
	if err != nil {
		return c.explain(err)
	}
	defer answer.Body.Close()
	data, err := io.ReadAll(io.LimitReader(answer.Body, maxAnswerBytes+1))
	switch {
	case err != nil:
		return fmt.Errorf("reading the answer of the daemon at %s: %w", c.path, err)
	case len(data) > maxAnswerBytes:
		return fmt.Errorf("the answer at %s is longer than %d bytes: that is not a daemon's", c.path, maxAnswerBytes)
	}
	if !slices.Contains(expected, answer.StatusCode) {
		var refusal Response
		if json.Unmarshal(data, &refusal) == nil && refusal.Reason != "" {
			return errors.New(refusal.Reason)
		}
		return fmt.Errorf("the daemon at %s answers %d %s: is it of another version?", c.path, answer.StatusCode, http.StatusText(answer.StatusCode))
	}
	if err := json.Unmarshal(data, into); err != nil {
		return fmt.Errorf("the answer of the daemon at %s is not understood: %w", c.path, err)
	}
	return nil
}

// maxAnswerBytes is far more than the alarms of the largest site need.
const maxAnswerBytes = 4 << 20

// explain says what a failed connection means and what to do.
func (c *Client) explain(err error) error {
	switch {
	case errors.Is(err, os.ErrNotExist), errors.Is(err, syscall.ECONNREFUSED):
		return fmt.Errorf("no daemon answers at %s: is dewline running (systemctl status dewline), and with this control socket?", c.path)
	case errors.Is(err, os.ErrPermission):
		return fmt.Errorf("%s belongs to the user the daemon runs as: run this as that user, or with sudo", c.path)
	}
	return fmt.Errorf("talking to the daemon at %s: %w", c.path, err)
}
