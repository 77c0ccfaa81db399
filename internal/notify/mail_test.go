package notify_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/mail"
	"strings"
	"sync"
	"testing"
	"time"

	"basecourse/internal/notices"
	"basecourse/internal/notify"

	"github.com/emersion/go-smtp"
)

// post is a mail server that keeps what it takes.
type post struct {
	mu     sync.Mutex
	taken  []letter
	refuse *smtp.SMTPError
}

type letter struct {
	from, to string
	raw      string
}

func (p *post) NewSession(*smtp.Conn) (smtp.Session, error) { return &visit{p: p}, nil }

type visit struct {
	p        *post
	from, to string
}

func (v *visit) Reset()        {}
func (v *visit) Logout() error { return nil }
func (v *visit) Mail(from string, _ *smtp.MailOptions) error {
	v.from = from
	return nil
}
func (v *visit) Rcpt(to string, _ *smtp.RcptOptions) error {
	v.p.mu.Lock()
	defer v.p.mu.Unlock()
	if v.p.refuse != nil {
		return v.p.refuse
	}
	v.to = to
	return nil
}
func (v *visit) Data(r io.Reader) error {
	b, err := io.ReadAll(r)
	v.p.mu.Lock()
	defer v.p.mu.Unlock()
	v.p.taken = append(v.p.taken, letter{v.from, v.to, string(b)})
	return err
}

func newPost(t *testing.T) (*post, *notify.Mail) {
	t.Helper()
	p := &post{}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s := smtp.NewServer(p)
	s.Domain, s.AllowInsecureAuth = "mail.example", true
	go func() { _ = s.Serve(l) }()
	t.Cleanup(func() { _ = s.Close() })
	return p, &notify.Mail{Host: "127.0.0.1", Port: l.Addr().(*net.TCPAddr).Port, From: "basecourse@farm.example", TLS: "none"}
}

func (p *post) letters(t *testing.T) []*mail.Message {
	t.Helper()
	p.mu.Lock()
	defer p.mu.Unlock()
	var list []*mail.Message
	for _, l := range p.taken {
		m, err := mail.ReadMessage(strings.NewReader(l.raw))
		if err != nil {
			t.Fatal(err)
		}
		list = append(list, m)
	}
	return list
}

func text(t *testing.T, m *mail.Message) string {
	t.Helper()
	b, err := io.ReadAll(m.Body)
	if err != nil {
		t.Fatal(err)
	}
	// Quoted-printable lines are put together again.
	return strings.NewReplacer("=\r\n", "", "=3D", "=", "\r\n", "\n").Replace(string(b))
}

func TestMailAsksFirst(t *testing.T) {
	f := newFarm(t)
	p, how := newPost(t)
	mara := f.person(t, "mara")
	n := notify.New(notify.Config{Store: f.Store, Mail: how, Link: "https://farm.example"})
	ctx := context.Background()
	if err := f.AskAddress(ctx, mara, "mara@farm.example", strings.Repeat("c", 32), strings.Repeat("s", 32)); err != nil {
		t.Fatal(err)
	}
	f.exec(t, `INSERT INTO notice_settings VALUES ($1, 'mail', 'mail', 'mail', false)`, mara)
	f.tell(t, "P-001")
	drain(t, n)
	got := p.letters(t)
	if len(got) != 1 || got[0].Header.Get("Subject") != "Basecourse: is this your address?" {
		t.Fatalf("%d mails, want the one that asks", len(got))
	}
	if body := text(t, got[0]); !strings.Contains(body, "https://farm.example/notices/confirm/"+strings.Repeat("c", 32)+"\n") {
		t.Errorf("the mail says %q", body)
	}
	if err := f.ConfirmAddress(ctx, strings.Repeat("c", 32)); err != nil {
		t.Fatal(err)
	}
	if err := f.ConfirmAddress(ctx, strings.Repeat("c", 32)); err == nil {
		t.Error("the link counts twice")
	}
	f.tell(t, "P-002")
	drain(t, n)
	got = p.letters(t)
	if len(got) != 2 {
		t.Fatalf("%d mails, want the notice after the one that asks", len(got))
	}
	m := got[1]
	for name, want := range map[string]string{"From": "<basecourse@farm.example>", "To": "<mara@farm.example>", "Subject": "Basecourse: Hold placed, P-002", "Auto-Submitted": "auto-generated",
		"List-Unsubscribe": "<https://farm.example/notices/stop/" + strings.Repeat("s", 32) + ">", "List-Unsubscribe-Post": "List-Unsubscribe=One-Click"} {
		if got := m.Header.Get(name); got != want {
			t.Errorf("%s: %q, want %q", name, got, want)
		}
	}
	if !strings.HasPrefix(m.Header.Get("Content-Type"), "text/plain") {
		t.Errorf("sent as %s", m.Header.Get("Content-Type"))
	}
	id := ""
	if err := f.conn.QueryRow(ctx, `SELECT id FROM deliveries WHERE purpose = 'notices'`).Scan(&id); err != nil || m.Header.Get("Message-Id") != "<"+id+"@farm.example>" {
		t.Errorf("Message-ID %s, want the delivery's key %s (%v)", m.Header.Get("Message-Id"), id, err)
	}
	if body := text(t, m); !strings.Contains(body, "P-002 is on hold since 2026-03-09 08:00: start no jobs on it.\nhttps://farm.example/printers/P-002\n") || !strings.Contains(body, "No more mail: https://farm.example/notices/stop/") {
		t.Errorf("the mail says %q", body)
	}
	if err := f.StopMail(ctx, strings.Repeat("s", 32)); err != nil {
		t.Fatal(err)
	}
	f.tell(t, "P-003")
	drain(t, n)
	if len(p.letters(t)) != 2 || f.number(t, `SELECT count(*) FROM mail_addresses`) != 0 {
		t.Error("mail goes on after it was stopped")
	}
}

func TestMailCannotBeMadeToSayMore(t *testing.T) {
	f := newFarm(t)
	p, how := newPost(t)
	f.byMail(t, f.person(t, "mara"), "mara@farm.example", "s", false)
	n := notify.New(notify.Config{Store: f.Store, Mail: how, Link: "https://farm.example"})
	job := notices.JobState{Job: "J\r\nBcc: all@farm.example\r\n\r\nhello =?utf-8?q?=0ABcc:_x?= é", Enough: 0.5}
	if _, err := f.Tell(context.Background(), []notices.Notice{notices.Job(job, 0.95, f.Now())}, time.UTC); err != nil {
		t.Fatal(err)
	}
	drain(t, n)
	got := p.letters(t)
	if len(got) != 1 || got[0].Header.Get("Bcc") != "" || p.taken[0].to != "mara@farm.example" {
		t.Fatalf("%d mails; %+v", len(got), p.taken)
	}
	if strings.Contains(got[0].Header.Get("Subject"), "\n") {
		t.Error("the subject holds a line break")
	}
}

func TestAMailServerThatRefuses(t *testing.T) {
	f := newFarm(t)
	p, how := newPost(t)
	f.byMail(t, f.person(t, "mara"), "mara@farm.example", "s", false)
	n := notify.New(notify.Config{Store: f.Store, Mail: how, Link: "https://farm.example"})
	p.refuse = &smtp.SMTPError{Code: 450, Message: "mara@farm.example is busy"}
	f.tell(t, "P-001")
	drain(t, n)
	if f.number(t, `SELECT count(*) FROM deliveries WHERE state = 'waiting' AND tries = 1`) != 1 {
		t.Error("a refusal for now is not tried again")
	}
	p.mu.Lock()
	p.refuse = &smtp.SMTPError{Code: 550, Message: "mara@farm.example is unknown"}
	p.mu.Unlock()
	f.move(time.Hour)
	drain(t, n)
	dead, err := f.DeadDeliveries(context.Background(), 5)
	if err != nil || len(dead) != 1 || dead[0].Answer != "the mail server refused it (550)" || dead[0].To != "mara" {
		t.Errorf("given up: %+v, %v", dead, err)
	}
}

// TestNoMailWithoutTLSWhereItIsAsked: a server that offers no STARTTLS gets
// nothing.
func TestNoMailWithoutTLSWhereItIsAsked(t *testing.T) {
	f := newFarm(t)
	p, how := newPost(t)
	how.TLS = "starttls"
	f.byMail(t, f.person(t, "mara"), "mara@farm.example", "s", false)
	f.tell(t, "P-001")
	drain(t, notify.New(notify.Config{Store: f.Store, Mail: how, Link: "https://farm.example"}))
	if len(p.letters(t)) != 0 {
		t.Error("mail was sent in clear")
	}
}

// TestFiveAShift counts what one person gets over two shifts and the night
// between, in the app and by mail.
func TestFiveAShift(t *testing.T) {
	f := newFarm(t)
	p, how := newPost(t)
	mara, noor := f.person(t, "mara"), f.person(t, "noor")
	f.byMail(t, mara, "mara@farm.example", "s1", true)
	ctx := context.Background()
	shift := func(name string, from, to time.Time) {
		f.exec(t, `INSERT INTO shifts (shift, person, starts_at, ends_at) VALUES ($1, $2, $3, $4)`, name, mara, from, to)
	}
	late := time.Date(2026, 3, 9, 22, 0, 0, 0, time.UTC)
	shift("late", late, late.Add(8*time.Hour)) // over midnight
	shift("next", late.Add(24*time.Hour), late.Add(32*time.Hour))
	n := notify.New(notify.Config{Store: f.Store, Mail: how, Link: "https://farm.example"})

	f.move(late.Sub(f.Now()) + time.Hour) // 23:00
	f.tell(t, tags(4)...)
	f.move(3 * time.Hour) // 02:00 of the next day, the same shift
	f.tell(t, "P-101", "P-102", "P-103", "P-104", "P-105")
	drain(t, n)
	if got := len(p.letters(t)); got != notices.PerShift {
		t.Errorf("%d mails in a shift with nine notices, want %d", got, notices.PerShift)
	}
	list, err := f.PersonNotices(ctx, mara, 0, 50)
	if err != nil || len(list) != notices.PerShift+1 || len(list[0].More) != 4 {
		t.Fatalf("%d lines in the app, %v, want five and one that gathers four: %+v", len(list), err, list)
	}
	account, err := f.AccountByPerson(ctx, mara)
	if err != nil || account.Unread != notices.PerShift+1 {
		t.Errorf("%d unread, %v, want %d", account.Unread, err, notices.PerShift+1)
	}
	// The other one works no shifts: 22:00 to 06:00 is one window for them too.
	if list, err := f.PersonNotices(ctx, noor, 0, 50); err != nil || len(list) != notices.PerShift+1 {
		t.Errorf("%d lines for the other, %v", len(list), err)
	}

	// Off shift: mail waits for the next one, as one mail that also counts the four.
	f.move(10 * time.Hour) // 12:00
	f.tell(t, "P-201", "P-202")
	drain(t, n)
	if got := len(p.letters(t)); got != notices.PerShift {
		t.Errorf("mail came outside the shifts: %d", got)
	}
	f.move(10*time.Hour + time.Second) // 22:00
	drain(t, n)
	got := p.letters(t)
	if len(got) != notices.PerShift+1 || got[notices.PerShift].Header.Get("Subject") != "Basecourse: 2 notices" {
		t.Fatalf("%d mails, want one more, of two notices", len(got))
	}
	if body := text(t, got[notices.PerShift]); !strings.Contains(body, "And 4 more: https://farm.example/notices\n") {
		t.Errorf("the mail says %q, want it to count four more", body)
	}
	// What came while off counts to this shift: three are left.
	f.tell(t, "P-301", "P-302", "P-303", "P-304")
	drain(t, n)
	if got := len(p.letters(t)); got != notices.PerShift+1+3 {
		t.Errorf("%d mails, want three more", got)
	}
	if err := f.ReadNotices(ctx, mara, list[0].ID, false); err != nil {
		t.Fatal(err)
	}
}

// TestPerPersonOverTheClocks counts windows of the farm's clock through both
// nights in which it changes.
func TestFiveThroughTheChangeOfClocks(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		from  time.Time
		hours int // of the window
	}{
		"spring": {time.Date(2026, 3, 28, 22, 0, 0, 0, berlin), 7},
		"autumn": {time.Date(2026, 10, 24, 22, 0, 0, 0, berlin), 9},
	} {
		f := newFarm(t)
		mara := f.person(t, "mara")
		f.move(c.from.Sub(f.Now()))
		for i := range c.hours + 1 { // one an hour; the last lies in the next window
			if _, err := f.Tell(context.Background(), []notices.Notice{notices.Hold("printer", fmt.Sprintf("P-%d", i), f.Now(), berlin)}, berlin); err != nil {
				t.Fatal(err)
			}
			f.move(time.Hour)
		}
		list, err := f.PersonNotices(context.Background(), mara, 0, 50)
		if err != nil || len(list) != notices.PerShift+2 || len(list[1].More) != c.hours-notices.PerShift {
			t.Errorf("%s: %d lines (%v), want five, one that gathers %d, and one of the next window", name, len(list), err, c.hours-notices.PerShift)
		}
	}
}

// standing is a farm whose findings and jobs are as they are told to be.
type standing struct {
	at     time.Time
	raised []string
	jobs   []notices.JobState
}

func (s *standing) Findings(context.Context, time.Time) (time.Time, []notify.FindingState, error) {
	var list []notify.FindingState
	for _, tag := range s.raised {
		list = append(list, notify.FindingState{Kind: "printer", Tag: tag, Cause: "skipped_probing", Raised: true})
	}
	return s.at, list, nil
}

func (s *standing) Jobs(context.Context, time.Time) (time.Time, []notices.JobState, float64, error) {
	return s.at, s.jobs, 0.95, nil
}

func TestOnlyWhatTurnsIsNews(t *testing.T) {
	f := newFarm(t)
	mara := f.person(t, "mara")
	farm := &standing{raised: []string{"P-001"}, jobs: []notices.JobState{{Job: "J-1", Enough: 0.5}, {Job: "J-2", Enough: 0.99}}}
	ctx := context.Background()
	words := func() (list []string) {
		all, err := f.PersonNotices(ctx, mara, 0, 50)
		if err != nil {
			t.Fatal(err)
		}
		for _, l := range all {
			list = append(list, l.Words)
		}
		return list
	}
	look := func(after time.Duration, want int) {
		t.Helper()
		f.move(after)
		farm.at = f.Now()
		for range 2 { // two replicas at the same answer
			n := notify.New(notify.Config{Store: f.Store, Farm: farm})
			if err := errors.Join(n.LookAtFindings(ctx), n.LookAtJobs(ctx), n.LookAtHolds(ctx)); err != nil {
				t.Fatal(err)
			}
		}
		if got := words(); len(got) != want {
			t.Fatalf("%d notices, want %d: %q", len(got), want, got)
		}
	}
	look(time.Hour, 0) // what was so at the first look is no news
	farm.raised = []string{"P-001", "P-002"}
	farm.jobs[1].Enough = 0.9
	look(time.Hour, 2)
	farm.jobs[1].Enough = 0.955 // not yet clear
	look(time.Hour, 2)
	farm.jobs[1].Enough = 0.94
	farm.raised = []string{"P-001"}
	look(time.Hour, 2)
	farm.raised = []string{"P-001", "P-002"} // back within a week
	look(24*time.Hour, 2)
	farm.raised = nil
	look(24*time.Hour, 2)
	look(8*24*time.Hour, 2)
	farm.raised = []string{"P-001"}
	look(24*time.Hour, 3)
}

// Where a finding turns raised its evidence is asked for, as of the look that saw it, once
// however many replicas look; for what was raised at the first look too, which is no news.
func TestEvidenceIsAskedForWhereAFindingTurnsRaised(t *testing.T) {
	f := newFarm(t)
	farm := &standing{raised: []string{"P-001"}}
	ctx := context.Background()
	look := func(tag string, want int) {
		t.Helper()
		f.move(time.Hour)
		farm.at = f.Now()
		for range 2 {
			if err := notify.New(notify.Config{Store: f.Store, Farm: farm}).LookAtFindings(ctx); err != nil {
				t.Fatal(err)
			}
		}
		list, err := f.SheetsWanted(ctx, "printer", tag, "skipped_probing")
		if err != nil || len(list) != want {
			t.Fatalf("%s: %d sheets asked for, want %d (%v)", tag, len(list), want, err)
		}
	}
	look("P-001", 1)
	farm.raised = []string{"P-001", "P-002"}
	look("P-002", 1)
	seen := farm.at
	look("P-002", 1)
	list, err := f.SheetsWanted(ctx, "printer", "P-002", "skipped_probing")
	if err != nil || len(list) != 1 {
		t.Fatal(list, err)
	}
	if w := list[0]; w.Because != "raised" || w.Via != "program" || w.Person != "" || !w.At.Equal(seen) || w.KnownAt.Before(w.At) || w.Failed != "" {
		t.Errorf("asked for: %+v, seen at %s", w, seen)
	}
	look("P-001", 1)
}

func TestHoldsAreToldOnce(t *testing.T) {
	f := newFarm(t)
	mara := f.person(t, "mara")
	f.exec(t, `INSERT INTO printers (printer, bed_x_mm, bed_y_mm) VALUES ('P-001', 250, 210)`)
	f.exec(t, `INSERT INTO plates (plate, surface) VALUES ('L-001', 'glass')`)
	hold := func(id, column, kind string, placed time.Time, rest string) {
		f.exec(t, `INSERT INTO holds (id, placed_at, noted_at, arrived_at, subject_kind, `+column+`) SELECT $1, $2, $2, $2, '`+kind+`', id FROM `+kind+`s`, id, placed)
		f.exec(t, `UPDATE holds SET placed_at = placed_at `+rest+` WHERE id = $1`, id)
	}
	now := f.Now()
	hold("00000000-0000-7000-8000-000000000001", "printer", "printer", now.Add(-time.Minute), "")
	hold("00000000-0000-7000-8000-000000000002", "plate", "plate", now.Add(-time.Hour), "")
	hold("00000000-0000-7000-8000-000000000003", "plate", "plate", now.Add(-48*time.Hour), "") // too old to be news
	hold("00000000-0000-7000-8000-000000000004", "printer", "printer", now.Add(-2*time.Hour), ", released_at = placed_at + interval '1 h'")
	hold("00000000-0000-7000-8000-000000000005", "printer", "printer", now.Add(-3*time.Hour), ", voided_at = placed_at, void_arrived_at = placed_at")
	n := notify.New(notify.Config{Store: f.Store})
	for range 3 {
		if err := n.LookAtHolds(context.Background()); err != nil {
			t.Fatal(err)
		}
	}
	list, err := f.PersonNotices(context.Background(), mara, 0, 50)
	if err != nil || len(list) != 2 || list[0].Path != "/printers/P-001" || list[1].Path != "/plates/L-001" {
		t.Fatalf("%+v, %v, want one of each hold that is new and in force", list, err)
	}
	// A release taken back makes another record of the same hold.
	f.exec(t, `UPDATE holds SET voided_at = $1, void_arrived_at = $1 WHERE id = '00000000-0000-7000-8000-000000000001'`, now)
	hold("00000000-0000-7000-8000-000000000006", "printer", "printer", now.Add(-time.Minute), "")
	if err := n.LookAtHolds(context.Background()); err != nil {
		t.Fatal(err)
	}
	if f.number(t, `SELECT count(*) FROM notices`) != 2 {
		t.Error("the same hold is told twice")
	}
	f.move(100 * 24 * time.Hour)
	if err := f.SweepNotices(context.Background()); err != nil || f.number(t, `SELECT count(*) FROM notices`)+f.number(t, `SELECT count(*) FROM person_notices`) != 0 {
		t.Errorf("after 100 days notices are still there (%v)", err)
	}
}
