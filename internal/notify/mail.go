package notify

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"strings"
	"time"

	"basecourse/internal/fault"
	"basecourse/internal/store"

	gomail "github.com/wneessen/go-mail"
)

// Mail is how mail is sent.
type Mail struct {
	Host     string
	Port     int
	From     string
	User     string // "" signs in nowhere
	Password string
	TLS      string // starttls (must be there), tls (from the first byte), none

	Config *tls.Config // nil: the system's certificates
}

// mailLimit is how long a mail server may take.
const mailLimit = 20 * time.Second

// letter is a mail before it is sent.
type letter struct {
	to, subject, body, stop string
}

// mail sends a delivery by mail.
func (n *Notifier) mail(ctx context.Context, d *store.Delivery) (string, error) {
	to, err := n.cfg.Store.DeliveryAddress(ctx, d)
	if err != nil {
		return "", err
	}
	if n.cfg.Mail == nil || n.cfg.Link == "" {
		return "", errors.New("no mail server is set up")
	}
	l := letter{to: to.Address}
	switch d.Purpose {
	case "confirm":
		if to.ConfirmKey == "" {
			return "", fault.New(fault.NotFound, "nothing is to be confirmed")
		}
		l.subject = "Basecourse: is this your address?"
		l.body = "Somebody who signs in to Basecourse asked for notices to be sent here. If that was you, open this within two days and press the button:\n\n" +
			n.link("/notices/confirm/"+to.ConfirmKey) + "\n\nIf it was not, do nothing: no other mail will come.\n"
	default:
		if !to.Confirmed {
			return "", fault.New(fault.NotFound, "the address is not confirmed")
		}
		list, err := n.cfg.Store.DeliveryNotices(ctx, d)
		if err != nil {
			return "", err
		}
		if len(list) == 0 {
			return "", fault.New(fault.NotFound, "the notices are no longer kept")
		}
		l.subject, l.body = n.noticeText(list, d.More)
		l.stop = n.link("/notices/stop/" + to.StopKey)
		l.body += "\nWhat is sent to you: " + n.link("/account/notices") + "\nNo more mail: " + l.stop + "\n"
	}
	return n.send(ctx, d, &l)
}

// noticeText is what a mail of notices says.
func (n *Notifier) noticeText(list []store.Told, more int) (subject, body string) {
	subject = "Basecourse: " + list[0].Kind.Word() + ", " + list[0].Subject
	if len(list) > 1 {
		subject = fmt.Sprintf("Basecourse: %d notices", len(list))
	}
	var b strings.Builder
	for _, x := range list {
		b.WriteString(x.Words + "\n" + n.link(x.Path) + "\n\n")
	}
	if more > 0 {
		fmt.Fprintf(&b, "And %d more: %s\n\n", more, n.link("/notices"))
	}
	return subject, b.String()
}

// send gives a mail to the server. Its Message-ID is the delivery's key.
func (n *Notifier) send(ctx context.Context, d *store.Delivery, l *letter) (string, error) {
	m := gomail.NewMsg(gomail.WithNoDefaultUserAgent())
	if err := errors.Join(m.From(n.cfg.Mail.From), m.To(l.to)); err != nil {
		return "", gone{errors.New("the address cannot be read")}
	}
	_, domain, _ := strings.Cut(n.cfg.Mail.From, "@")
	m.SetMessageIDWithValue(d.ID.String() + "@" + strings.TrimRight(domain, "> "))
	m.SetDateWithValue(n.cfg.Store.Now())
	m.Subject(oneLine(l.subject))
	m.SetGenHeader("Auto-Submitted", "auto-generated")
	if l.stop != "" {
		// RFC 2369 and RFC 8058: mail programs show a button of their own.
		m.SetGenHeaderPreformatted(gomail.HeaderListUnsubscribe, "<"+l.stop+">")
		m.SetGenHeader(gomail.HeaderListUnsubscribePost, "List-Unsubscribe=One-Click")
	}
	m.SetBodyString(gomail.TypeTextPlain, l.body)
	options := []gomail.Option{gomail.WithPort(n.cfg.Mail.Port), gomail.WithTimeout(mailLimit)}
	switch n.cfg.Mail.TLS {
	case "tls":
		options = append(options, gomail.WithSSL())
	case "none":
		options = append(options, gomail.WithTLSPolicy(gomail.NoTLS))
	default:
		options = append(options, gomail.WithTLSPolicy(gomail.TLSMandatory))
	}
	if n.cfg.Mail.Config != nil {
		options = append(options, gomail.WithTLSConfig(n.cfg.Mail.Config))
	}
	if n.cfg.Mail.User != "" {
		options = append(options, gomail.WithSMTPAuth(gomail.SMTPAuthAutoDiscover), gomail.WithUsername(n.cfg.Mail.User), gomail.WithPassword(n.cfg.Mail.Password))
	}
	client, err := gomail.NewClient(n.cfg.Mail.Host, options...)
	if err != nil {
		return "", errors.New("the mail server's settings cannot be used")
	}
	ctx, cancel := context.WithTimeout(ctx, mailLimit)
	defer cancel()
	err = client.DialAndSendWithContext(ctx, m)
	if err == nil || m.IsDelivered() { // a server that hangs up after it took the mail has taken it
		return "taken by the mail server", nil
	}
	// The server's own words may repeat the address: only its number is kept.
	var refused *gomail.SendError
	if errors.As(err, &refused) && refused.ErrorCode() > 0 {
		err := fmt.Errorf("the mail server refused it (%d)", refused.ErrorCode())
		if refused.IsTemp() || refused.ErrorCode() < 500 {
			return "", err
		}
		return "", gone{err}
	}
	return "", errors.New("the mail server could not be reached or did not let this program in")
}

// oneLine leaves nothing in a header that could begin another.
func oneLine(s string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f {
			return ' '
		}
		return r
	}, s)
}
