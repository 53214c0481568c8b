// Package mail sends messages on alarms by e-mail: one plain text message for each journal entry that it is given. Package text
// writes them.
//
//	out, err := mail.New(mail.Options{
//		Name: "mail", Text: formatter,
//		Server: "smtp.example.org:587", Security: "starttls", Username: "loft", PasswordFile: "/run/credentials/dewline.service/mail",
//		From: "dewline@example.org", To: []string{"keeper@example.org"}, Queue: queue,
//	})
//	go out.Run(ctx)
//	item, err := out.OfEntry(entry) // recorded together with the entry
//	err = out.Add(item)
//
// # The message
//
// It is written when the entry comes and waits in the outbox as it is. Its Message-ID is made from the entry's id, so a
// repeated delivery is recognised by mail programs; all messages of one occurrence of an alarm refer to a common
// id and are shown as one conversation. Auto-Submitted: auto-generated (RFC 3834) keeps vacation notices from answering.
//
// # Delivery
//
// Each receiver gets a transaction of its own within one connection, so that a mistyped address does not affect the others.
// With security "starttls" nothing is sent without TLS, with "tls" the connection begins with it, with "none" everything
// including the password goes in clear, unless the server knows CRAM-MD5. The password file is read for each connection. It logs in by
// PLAIN or LOGIN.
//
//	2xx                          delivered
//	4xx                          tried again
//	5xx about one receiver       that receiver is left out and logged; if it is so for all, the message is given up
//	a refused login, no answer   tried again without end
package mail
