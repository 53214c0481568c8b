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

// judge says what an answer means: nil for delivered, [inturn.Later] for another try, or given up. A refusal (403, 404, 400 …) is most
// often put right at either end, and an alarm that waits for that must not be lost; a test is told to have failed at once.
func judge(response *http.Response, now time.Time, test bool) error {
	status := response.StatusCode
	answer := fmt.Errorf("the webhook answered %s", httpx.Status(response))
	switch {
	case status >= 200 && status < 300:
		return nil
	case status >= 300 && status < 400: // as at the login page of a network, which goes away
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

// retryAfter reads how long to wait (RFC 9110 section 10.2.3): seconds, or a date, which is held against the far side's
// own clock where it tells that. What cannot be read is 0, and so is what lies in the past; more than
// [inturn.LongestWait] is cut.
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
