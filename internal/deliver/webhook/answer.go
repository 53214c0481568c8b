package webhook

import (
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"time"

	"dewline/internal/deliver"
	"dewline/internal/deliver/httpx"
	"dewline/internal/deliver/serial"
)

// judge returns what an answer means: nil for delivered, [serial.RetryAfterError] for another try, [deliver.ErrUnsendable] for given
// up. The cause of a refusal (403, 404, 400 …) is most often corrected at either end, and an alarm that waits for that must not be
// lost; a test fails at once.
func judge(response *http.Response, now time.Time, test bool) error {
	status := response.StatusCode
	answer := fmt.Errorf("the webhook answered %s", httpx.Status(response))
	switch {
	case status >= 200 && status < 300:
		return nil
	case status >= 300 && status < 400: // for example the login page of a network, which is temporary
		return &serial.RetryAfterError{Err: fmt.Errorf("%w: %w", answer, httpx.ErrRedirected)}
	case status >= 500, status == http.StatusRequestTimeout, status == http.StatusTooEarly, status == http.StatusTooManyRequests:
		return &serial.RetryAfterError{After: retryAfter(response.Header, now), Err: answer}
	case status == http.StatusUnauthorized, status == http.StatusForbidden:
		answer = fmt.Errorf("%w: is the token right?", answer)
	case status == http.StatusNotFound, status == http.StatusGone:
		answer = fmt.Errorf("%w: is the address right?", answer)
	}
	if test {
		return fmt.Errorf("%w: %w", deliver.ErrUnsendable, answer)
	}
	return &serial.RetryAfterError{After: retryAfter(response.Header, now), Refusal: true, Err: answer}
}

// retryAfter returns how long to wait (RFC 9110 section 10.2.3): seconds, or a date, which is compared with the header Date if there
// is one. The result is 0 for an unreadable value or a time in the past, and at most [serial.MaxWait].
func retryAfter(header http.Header, now time.Time) time.Duration {
	text := strings.TrimSpace(header.Get("Retry-After"))
	if text == "" {
		return 0
	}
	if strings.Trim(text, "0123456789") == "" {
		seconds, err := strconv.ParseUint(text, 10, 32)
		if err != nil { // more than 136 years
			return serial.MaxWait
		}
		return min(time.Duration(seconds)*time.Second, serial.MaxWait)
	}
	until, err := http.ParseTime(text)
	if err != nil {
		return 0
	}
	if date, err := http.ParseTime(header.Get("Date")); err == nil {
		now = date
	}
	return min(max(until.Sub(now), 0), serial.MaxWait)
}
