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
func (c *Client) Alarms(ctx context.Context) ([]Alarm, error) {
	code, data, err := c.do(ctx, http.MethodGet, "/alarms", nil)
	if err != nil {
		return nil, err
	}
	var list []Alarm
	return list, c.understand(code, data, &list, http.StatusOK)
}

// Cohorts asks for what is in force for all cohorts.
func (c *Client) Cohorts(ctx context.Context) ([]*Cohort, error) {
	code, data, err := c.do(ctx, http.MethodGet, "/cohorts", nil)
	if err != nil {
		return nil, err
	}
	var list []*Cohort
	return list, c.understand(code, data, &list, http.StatusOK)
}

// Calibrations asks for what is in force for all channels of the sensors.
func (c *Client) Calibrations(ctx context.Context) ([]Calibration, error) {
	code, data, err := c.do(ctx, http.MethodGet, "/calibrations", nil)
	if err != nil {
		return nil, err
	}
	var list []Calibration
	return list, c.understand(code, data, &list, http.StatusOK)
}

// Site asks how the site shows times and values.
func (c *Client) Site(ctx context.Context) (Site, error) {
	code, data, err := c.do(ctx, http.MethodGet, "/site", nil)
	if err != nil {
		return Site{}, err
	}
	var site Site
	return site, c.understand(code, data, &site, http.StatusOK)
}

// State asks how the daemon is.
func (c *Client) State(ctx context.Context) (State, error) {
	code, data, err := c.do(ctx, http.MethodGet, "/status", nil)
	if err != nil {
		return State{}, err
	}
	var state State
	return state, c.understand(code, data, &state, http.StatusOK)
}

// Notifiers asks for the state of the notifiers.
func (c *Client) Notifiers(ctx context.Context) ([]NotifierStatus, error) {
	code, data, err := c.do(ctx, http.MethodGet, "/outlets", nil)
	if err != nil {
		return nil, err
	}
	var list []NotifierStatus
	return list, c.understand(code, data, &list, http.StatusOK)
}

// Command sends a command. A refusal is a response that is not done, not an error.
func (c *Client) Command(ctx context.Context, request Request) (Response, error) {
	body, err := json.Marshal(request)
	if err != nil {
		return Response{}, err
	}
	code, data, err := c.do(ctx, http.MethodPost, "/command", body)
	if err != nil {
		return Response{}, err
	}
	var response Response
	if err := c.understand(code, data, &response, http.StatusOK, http.StatusConflict); err != nil {
		return Response{}, err
	}
	return response, nil
}

func (c *Client) do(ctx context.Context, method, path string, body []byte) (code int, data []byte, err error) {
	request, err := http.NewRequestWithContext(ctx, method, "http://daemon"+path, bytes.NewReader(body))
	if err != nil {
		return 0, nil, err
	}
	answer, err := c.http.Do(request)
	if err != nil {
		return 0, nil, c.explain(err)
	}
	defer answer.Body.Close()
	data, err = io.ReadAll(io.LimitReader(answer.Body, maxAnswerBytes+1))
	switch {
	case err != nil:
		return 0, nil, fmt.Errorf("reading the answer of the daemon at %s: %w", c.path, err)
	case len(data) > maxAnswerBytes:
		return 0, nil, fmt.Errorf("the answer at %s is longer than %d bytes: that is not a daemon's", c.path, maxAnswerBytes)
	}
	return answer.StatusCode, data, nil
}

// maxAnswerBytes is far more than the alarms of the largest site need.
const maxAnswerBytes = 4 << 20

// understand reads an answer that has one of the expected codes. One with another code holds the reason, if it is ours.
func (c *Client) understand(code int, data []byte, into any, expected ...int) error {
	if !slices.Contains(expected, code) {
		var refusal Response
		if json.Unmarshal(data, &refusal) == nil && refusal.Reason != "" {
			return errors.New(refusal.Reason)
		}
		return fmt.Errorf("the daemon at %s answers %d %s: is it of another version?", c.path, code, http.StatusText(code))
	}
	if err := json.Unmarshal(data, into); err != nil {
		return fmt.Errorf("the answer of the daemon at %s is not understood: %w", c.path, err)
	}
	return nil
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
