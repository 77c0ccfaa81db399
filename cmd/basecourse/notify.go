package main

import (
	"context"
	"net"
	"net/url"
	"os"
	"strconv"
	"strings"
	"time"

	"basecourse/internal/assess"
	"basecourse/internal/fault"
	"basecourse/internal/notices"
	"basecourse/internal/notify"
	"basecourse/internal/store"
)

// farmForNotices tells how the farm stands, from the answers that are kept.
type farmForNotices struct{ *assess.Assessor }

// Findings lists the findings of the latest answer.
func (f farmForNotices) Findings(ctx context.Context, now time.Time) (time.Time, []notify.FindingState, error) {
	a, err := f.Latest(ctx, now, store.DataVersion{})
	if err != nil {
		return time.Time{}, nil, err
	}
	list := make([]notify.FindingState, len(a.Items))
	for i := range a.Items {
		x := &a.Items[i]
		list[i] = notify.FindingState{Kind: x.Kind, Tag: x.Subject, Cause: x.Cause, Raised: x.State == "raised"}
	}
	return a.AsOf, list, nil
}

// Jobs lists the jobs of the latest plan. A job that cannot be planned because
// something of it is not recorded, or that is due at no time and too long for one
// plan, is at no risk that is known.
func (f farmForNotices) Jobs(ctx context.Context, now time.Time) (time.Time, []notices.JobState, float64, error) {
	p, err := f.LatestPlan(ctx, now, assess.Confidence)
	if err != nil {
		return time.Time{}, nil, 0, err
	}
	var list []notices.JobState
	for i := range p.Jobs {
		j := &p.Jobs[i]
		unplaced := len(j.Starts) < j.Start
		if j.Start == 0 && j.Cannot != "" || unplaced && j.Due.IsZero() {
			continue
		}
		list = append(list, notices.JobState{Job: j.Job, Enough: j.Enough, Late: j.Late, Cannot: unplaced})
	}
	return p.AsOf, list, assess.Confidence, nil
}

// notifier makes what tells news, by the settings.
func (a *app) notifier(cfg notify.Config) (*notify.Notifier, error) {
	cfg.Link = a.publicLink()
	var err error
	if cfg.Guard, err = notify.ParseGuard(a.set.WebhookAllow); err != nil {
		return nil, err
	}
	if cfg.Mail, err = a.mail(); err != nil {
		return nil, err
	}
	return notify.New(cfg), nil
}

// mail gives how mail is sent; nil: not at all.
func (a *app) mail() (*notify.Mail, error) {
	if a.set.SMTP == "" {
		return nil, nil
	}
	host, port, err := net.SplitHostPort(a.set.SMTP)
	if err != nil {
		return nil, err
	}
	n, err := strconv.Atoi(port)
	if err != nil {
		return nil, err
	}
	password, err := a.smtpPassword()
	if err != nil {
		return nil, err
	}
	return &notify.Mail{Host: host, Port: n, From: a.set.SMTPFrom, User: a.set.SMTPUser, Password: password, TLS: a.set.SMTPTLS}, nil
}

// publicLink is what people type, with the base path.
func (a *app) publicLink() string {
	u, err := url.Parse(a.set.PublicURL)
	if err != nil || u.Host == "" {
		return ""
	}
	base := a.set.BasePath
	if path := strings.Trim(u.EscapedPath(), "/"); path != "" {
		base = "/" + path // the address already says it
	}
	return u.Scheme + "://" + u.Host + strings.TrimSuffix(base, "/")
}

// smtpPassword is from the environment or from a file that it names: arguments
// are seen by every account of the machine.
func (a *app) smtpPassword() (string, error) {
	return a.secret(smtpPassword, smtpPasswordFile)
}

// secret is the value of one variable, or what stands in the file another one names.
func (a *app) secret(value, file string) (string, error) {
	if name := a.env[file]; name != "" {
		b, err := os.ReadFile(name)
		if err != nil {
			return "", fault.Misused("%s: %v", file, err)
		}
		return strings.TrimRight(string(b), "\r\n"), nil
	}
	return a.env[value], nil
}
