package notify

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"time"

	"basecourse/internal/fault"
	"basecourse/internal/notices"
	"basecourse/internal/store"
)

// Headers of what is posted.
const (
	HeaderKey       = "Idempotency-Key"
	HeaderTime      = "Basecourse-Time"
	HeaderSignature = "Basecourse-Signature"
)

// hookBody is what a webhook gets.
type hookBody struct {
	ID          string `json:"id"` // that of the delivery: a repeat has the same
	Kind        string `json:"kind"`
	At          string `json:"at"`
	SubjectKind string `json:"subject_kind,omitempty"`
	Subject     string `json:"subject,omitempty"`
	Words       string `json:"words"`
	Link        string `json:"link,omitempty"`
}

// gone is a refusal that no later try changes.
type gone struct{ err error }

func (g gone) Error() string { return g.err.Error() }
func (g gone) Unwrap() error { return g.err }

// post sends a delivery to its webhook and gives the status it answered.
func (n *Notifier) post(ctx context.Context, d *store.Delivery) (string, error) {
	to, err := n.cfg.Store.DeliveryHook(ctx, d)
	if err != nil {
		return "", err
	}
	body := hookBody{ID: d.ID.String(), Kind: "test", At: d.MadeAt.UTC().Format(time.RFC3339), Words: "A test of this webhook: nothing has happened.", Link: n.link("/")}
	if d.Purpose == "notices" {
		list, err := n.cfg.Store.DeliveryNotices(ctx, d)
		if err != nil {
			return "", err
		}
		if len(list) == 0 {
			return "", fault.New(fault.NotFound, "the notice is no longer kept")
		}
		x := &list[0]
		body.Kind, body.At, body.SubjectKind, body.Subject, body.Words, body.Link = string(x.Kind), x.At.UTC().Format(time.RFC3339), x.SubjectKind, x.Subject, x.Words, n.link(x.Path)
	}
	raw, err := json.Marshal(body)
	if err != nil {
		return "", err
	}
	if err := n.cfg.Guard.CheckURL(to.URL); err != nil {
		return "", gone{err}
	}
	ctx, cancel := context.WithTimeout(ctx, hookLimit)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, to.URL, bytes.NewReader(raw))
	if err != nil {
		return "", gone{errors.New("the address cannot be read")}
	}
	now := n.cfg.Store.Now()
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("User-Agent", "Basecourse")
	req.Header.Set(HeaderKey, d.ID.String())
	req.Header.Set(HeaderTime, notices.Stamp(now))
	req.Header.Set(HeaderSignature, notices.Sign(to.Secret, now, raw))
	res, err := n.client.Do(req)
	if err != nil {
		return "", hookTrouble(err)
	}
	defer res.Body.Close()
	_, _ = io.Copy(io.Discard, io.LimitReader(res.Body, hookAnswer))
	if res.StatusCode < 200 || res.StatusCode > 299 {
		return "", fmt.Errorf("answered %d", res.StatusCode)
	}
	return fmt.Sprintf("answered %d", res.StatusCode), nil
}

// hookTrouble says what went wrong in words of ours: an error of the library
// quotes the whole address, which may hold a key of the receiver's.
func hookTrouble(err error) error {
	var dns *net.DNSError
	var op *net.OpError
	var timeout net.Error
	switch {
	case errors.Is(err, errInside):
		return gone{fmt.Errorf("not sent: it leads to %w", errInside)}
	case errors.As(err, &dns):
		return errors.New("the name could not be resolved")
	case errors.As(err, &timeout) && timeout.Timeout():
		return errors.New("no answer in time")
	case errors.As(err, &op) && op.Op == "dial":
		return errors.New("no connection")
	}
	return errors.New("the connection broke or its certificate is not trusted")
}
