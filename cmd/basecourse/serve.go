package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"net/url"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"basecourse/internal/backupcopy"
	"basecourse/internal/farmtls"
	"basecourse/internal/notify"
	"basecourse/internal/store"
	"basecourse/internal/web"
)

type serveCmd struct{}

// Help is shown by --help.
func (serveCmd) Help() string {
	return `Uses the database named by DATABASE_URL, or a private one in the data folder. Once a day it writes the farm as a bundle into copies/ in the data folder, and the whole database, with people's password hashes, as a backup into backups/ there (or --backups DIR). Each is read back, and the last 14 are kept (--keep-backups N).

Tablets work without network, and scan, only at an address with https. With --tls farm the program makes the farm's own certificate authority once, in tls/ in the data folder, and a certificate for this machine's names and addresses, which it renews; the page /trust tells how a tablet comes to trust it, and is reached by plain http at the same port. With --tls CERT,KEY it serves your own, and takes new files over by itself.

Examples:

    basecourse serve --listen 0.0.0.0:8443 --tls farm
    basecourse serve --listen 0.0.0.0:8443 --tls /etc/farm/cert.pem,/etc/farm/key.pem
    basecourse serve --listen 127.0.0.1:8080 --public-url https://farm.example`
}

// Run serves until it is told to stop.
func (serveCmd) Run(a *app) error {
	l, err := a.listen()
	if err != nil {
		return err
	}
	defer l.Close()
	if err := a.startTraces(); err != nil {
		return err
	}
	if a.traces != nil {
		defer a.traces.Close()
	}
	return a.withStore(true, func(st *store.Store) error {
		copies := a.copies(st, a.set.Data)
		var work sync.WaitGroup
		defer work.Wait()
		ctx, cancel := context.WithCancel(a.ctx)
		defer cancel()
		work.Go(func() { copies.Run(ctx) })
		backups := a.backups(st)
		if backups != nil {
			work.Go(func() { backups.Run(ctx) })
		}
		first, err := web.OfferFirstUse(ctx, st)
		if err != nil {
			return err
		}
		return a.serve(ctx, st, l, copies, backups, func() {
			a.say("Serving on %s", a.address(l))
			a.sayTrust(l)
			if first != "" {
				a.say("Nobody may sign in yet. Make the first admin within a day, once, at %s", a.publicAddress(l, first))
			}
		})
	})
}

// listen takes the address before anything else is started: a taken one is the
// most likely refusal.
func (a *app) listen() (net.Listener, error) {
	l, err := net.Listen("tcp", a.set.Listen)
	if err != nil {
		return nil, fmt.Errorf("BASECOURSE_LISTEN (--listen): cannot serve on %s: %w", a.set.Listen, err)
	}
	return l, nil
}

// address is what to type into a browser on this machine to reach the program.
func (a *app) address(l net.Listener) string {
	if a.set.TLS == "" {
		return address(l)
	}
	return strings.Replace(address(l), "http://", "https://", 1)
}

// sayTrust tells where devices learn to trust the farm's own authority, and what
// to compare.
func (a *app) sayTrust(l net.Listener) {
	if a.tls == nil || a.tls.Authority == nil {
		return
	}
	host := "localhost"
	for _, ip := range a.tls.Leaf().IPAddresses {
		if !ip.IsLoopback() {
			host = ip.String()
			break
		}
	}
	_, port, err := net.SplitHostPort(l.Addr().String())
	if err != nil {
		return
	}
	a.say("Tablets trust it by http://%s%s/trust", net.JoinHostPort(host, port), strings.TrimSuffix(a.set.BasePath, "/"))
	a.say("Fingerprint of the farm's authority (SHA-256): %s", farmtls.Fingerprint(a.tls.Authority))
}

// openTLS gets the certificate to serve with; nil for plain http.
func (a *app) openTLS() (*farmtls.Source, error) {
	switch a.set.TLS {
	case "":
		return nil, nil
	case "farm":
		more := strings.Split(a.set.TLSNames, ",")
		if u, err := url.Parse(a.set.PublicURL); err == nil && u.Host != "" {
			more = append([]string{u.Hostname()}, more...)
		}
		return farmtls.Farm(filepath.Join(a.set.Data, "tls"), func() []string { return farmtls.Names(more...) }, time.Now())
	}
	cert, key, _ := strings.Cut(a.set.TLS, ",")
	return farmtls.Files(cert, key)
}

// address is the same by plain http.
func address(l net.Listener) string {
	host, port, err := net.SplitHostPort(l.Addr().String())
	if err != nil {
		return "http://" + l.Addr().String() + "/"
	}
	if ip := net.ParseIP(host); ip != nil && ip.IsUnspecified() {
		host = "127.0.0.1"
	}
	return "http://" + net.JoinHostPort(host, port) + "/"
}

// publicAddress is what to type into a browser for a path of ours.
func (a *app) publicAddress(l net.Listener, path string) string {
	base, place := strings.TrimSuffix(a.set.BasePath, "/"), strings.TrimSuffix(a.address(l), "/")
	if u, err := url.Parse(a.set.PublicURL); err == nil && u.Host != "" {
		place = u.Scheme + "://" + u.Host
	}
	return place + base + path
}

// serve answers on l until ctx ends; ready is called once it does.
func (a *app) serve(ctx context.Context, st *store.Store, l net.Listener, copies, backups *backupcopy.Keeper, ready func()) error {
	log := slog.New(slog.NewJSONHandler(a.stderr, nil))
	if weak, err := st.NotDurable(ctx); err == nil && len(weak) > 0 {
		log.Warn("a power cut can lose or damage what is recorded: the database has these settings off", "settings", weak)
	}
	answers := newFindings(st)
	cfg := web.Config{
		Store: st, Findings: answers, Heights: answers, Judged: answers, Diagnoses: answers, Policies: answers, Looks: answers, Log: log,
		TempDir: filepath.Join(a.set.Data, "uploads"), BasePath: a.set.BasePath, PublicURL: a.set.PublicURL, TrustedProxies: a.set.proxies(), RequestsPerSecond: a.set.TokenRate, MetricsApart: a.set.MetricsListen != "",
		NoRoom: a.noRoom,
	}
	if copies != nil {
		cfg.Copies = copiesForPages{copies}
	}
	if backups != nil {
		cfg.Backups = copiesForPages{backups}
	}
	news, err := a.notifier(notify.Config{Store: st, Farm: farmForNotices{answers.Assessor}, Log: log})
	if err != nil {
		return err
	}
	cfg.Notices = news
	if a.tls, err = a.openTLS(); err != nil {
		return fmt.Errorf("BASECOURSE_TLS (--tls): %w", err)
	}
	cfg.TLS = a.tls
	if a.traces != nil {
		cfg.Tracer = a.traces.Tracer()
	}
	if cfg.Provider, err = a.provider(); err != nil {
		return err
	}
	server, err := web.New(cfg)
	if err != nil {
		return err
	}
	var background sync.WaitGroup
	defer background.Wait()
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	if a.tls != nil {
		background.Go(func() {
			a.tls.Run(ctx, time.Now, func(err error) { log.Error("certificate not renewed; the one in use stays", "error", err.Error()) })
		})
	}
	background.Go(func() { answers.Run(ctx) })
	background.Go(func() { answers.RunSheets(ctx) })
	background.Go(func() { a.removeLeavers(ctx, st) })
	background.Go(func() { news.Run(ctx) })
	ended := make(chan error, 2)
	running := 1
	if a.set.MetricsListen != "" {
		m, err := net.Listen("tcp", a.set.MetricsListen)
		if err != nil {
			return fmt.Errorf("BASECOURSE_METRICS_LISTEN (--metrics-listen): cannot serve on %s: %w", a.set.MetricsListen, err)
		}
		a.say("Metrics on %smetrics", address(m))
		running++
		go func() { ended <- serveMetrics(ctx, m, server.Metrics()) }()
	}
	go func() { ended <- server.Serve(ctx, l) }()
	ready()
	err = nil
	for range running {
		err = errors.Join(err, <-ended)
		cancel() // when one ends, so does the other
	}
	return err
}

// serveMetrics answers /metrics alone, on an address of its own.
func serveMetrics(ctx context.Context, l net.Listener, metrics http.Handler) error {
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", metrics)
	srv := &http.Server{Handler: mux, ReadHeaderTimeout: 10 * time.Second, ReadTimeout: 30 * time.Second, WriteTimeout: 30 * time.Second}
	stop := context.AfterFunc(ctx, func() {
		drain, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
		defer cancel()
		srv.Shutdown(drain)
	})
	defer stop()
	if err := srv.Serve(l); !errors.Is(err, http.ErrServerClosed) {
		return err
	}
	return nil
}

// copies keeps the farm's daily copies under a data folder.
func (a *app) copies(st *store.Store, data string) *backupcopy.Keeper {
	return &backupcopy.Keeper{
		Dir: filepath.Join(data, "copies"), What: "daily copy", Suffix: ".zip",
		Make: backupcopy.Bundle(func(ctx context.Context, dir string) (int, error) { return exportBundle(ctx, st, dir) }, time.Now),
		Now:  time.Now,
		Log:  func(s string) { a.say("%s", s) },
	}
}

// backups keeps the daily backups; nil when none are wanted.
func (a *app) backups(st *store.Store) *backupcopy.Keeper {
	if a.set.KeepBackups == 0 {
		return nil
	}
	return &backupcopy.Keeper{
		Dir: a.backupFolder(), What: "daily backup", Suffix: ".backup", Keep: a.set.KeepBackups,
		Make: func(ctx context.Context, _, path string) (int, error) {
			m, err := writeBackup(ctx, st, path)
			if err != nil {
				return 0, err
			}
			return m.Rows(), nil
		},
		Now: time.Now,
		Log: func(s string) { a.say("%s", s) },
	}
}

// copiesForPages tells Setup about the copies.
type copiesForPages struct{ keeper *backupcopy.Keeper }

// Latest gives the newest copy.
func (c copiesForPages) Latest(ctx context.Context) (web.Copy, error) {
	k, err := c.keeper.Latest(ctx)
	return web.Copy{WrittenAt: k.WrittenAt, Folder: strings.TrimSuffix(c.keeper.Dir, "/"), Kept: k.Kept, Rows: k.Rows, Problem: k.Problem}, err
}
