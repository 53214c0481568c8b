// Package webhook sends messages on alarms by HTTP: one POST for each journal entry that it is given, one at a time and in order.
//
//	hook, err := webhook.New(webhook.Options{
//		Name: "webhook", Site: "north-loft", URLFile: "/run/credentials/dewline.service/hook", Format: webhook.Text, TitleHeader: "Title", Text: formatter, Queue: queue,
//	})
//	go hook.Run(ctx)
//	item, err := hook.OfEntry(entry) // recorded together with the entry
//	err = hook.Add(item)
//
// # The request
//
//	POST /hook HTTP/1.1
//	User-Agent: dewline
//	Authorization: Bearer TOKEN                       with a token file
//	Dewline-Signature: time=1782900000; sha256=HEX    with a secret file
//
// What follows depends on the format. In text, for any service that takes a POST as a push message:
//
//	Content-Type: text/plain; charset=utf-8
//	Title: CRITICAL: Tub 1: water far too warm, 84.2 F     the header has the name that title-header gives
//
//	Tub 1: water far too warm.
//
//	Where: Tub 1 (tub-1)
//	Who lives there: a-2026 (larva)
//	…
//
// Without a title header the title is the first line of the body. A header carries ASCII: the degree sign is left out, and what
// remains, such as a place called Küche, is encoded as in mail (RFC 2047). In json, of Content-Type application/json:
//
//	{"id":"RUN-SEQ","title":"…","text":"…","urgent":true,"fields":{"place":"Tub 1","value":"84.2 °F","limit":"82.4 °F",…},
//	 "incident":"tub-1/water-temperature/high@…","silent":false}
//
// with the fields of text.Fields. All messages of one incident have the same incident, for services that can update a message; silent
// is true where that needs no sound. A template writes the body in place of both. In cloudevent, for programs, the journal entry in the
// structured JSON form (CloudEvents 1.0.2, HTTP protocol binding), of Content-Type application/cloudevents+json:
//
//	{"specversion":"1.0","id":"RUN-SEQ","source":"/dewline/north-loft","type":"dewline.alarm.raised.v1",…}
//
// The id is the same on every repeat of a delivery, so a receiver may drop what it has seen. The type says what it is: alarm.raised,
// alarm.repeated, alarm.returned and the like with data.state "B" call for a person, and one with another state says that it is over.
// alarm.summary sums up many alarms, with the text in data.text; alarm.chattering, alarm.fleeting and
// alarm.frequent name a nuisance; daily.digest has what a keeper has to know of the day in data.text; outlet.test,
// of the subject "test", is no alarm.
//
// # The signature
//
// HEX is the HMAC (RFC 2104) with SHA-256 over the time as written in the header, a line feed (0x0A) and the body, byte for
// byte, keyed with the content of the secret file without its end of line, in lower-case hexadecimal digits. The time is in
// seconds since 1970-01-01 UTC and is that of sending, not of the event. A receiver
//
//  1. takes time and sha256 from the header,
//  2. refuses a time that is more than five minutes away from its own clock, so that an old message cannot be replayed,
//  3. computes the HMAC of TIME + "\n" + BODY and compares it in constant time,
//  4. reads the body only then.
//
// With OpenSSL: (printf '%s\n' "$TIME"; cat body) | openssl dgst -sha256 -hmac "$SECRET"
//
// # The answer
//
//	2xx                       delivered
//	408, 425, 429, 5xx, 3xx   tried again, after Retry-After if the answer has it (an hour at most)
//	any other                 tried again as well; a test is given up. If the service accepts the next message and not this one, this one
//	                          is given up after a minute, logged, and reported to Options.GivenUp: its alarm is then sent again
//	none                      tried again without end
//
// Between tries the waiting time doubles from a second to a minute, and is spread by chance. A redirect is followed within the
// host if it keeps the method (307, 308), else it counts as an answer. The answer's body is not used, and at most 64 KiB of it
// are read. The files of address, token and secret are read for each request; they appear in no log and no error.
package webhook
