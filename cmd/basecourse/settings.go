package main

import (
	"net"
	"net/netip"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"sort"
	"strconv"
	"strings"

	"github.com/alecthomas/kong"

	"basecourse/internal/fault"
	"basecourse/internal/notices"
	"basecourse/internal/notify"
	"basecourse/internal/tracing"
)

// settings are the flags every command takes. The tag "setting" names the
// variable of the environment that stands in for a flag that is not given.
type settings struct {
	Data           string `setting:"BASECOURSE_DATA" group:"Settings" placeholder:"DIR" help:"Data folder (BASECOURSE_DATA; default $XDG_DATA_HOME/basecourse, else ~/.local/share/basecourse)."`
	Listen         string `setting:"BASECOURSE_LISTEN" group:"Settings" default:"127.0.0.1:8080" placeholder:"HOST:PORT" help:"Address to serve on (BASECOURSE_LISTEN; default 127.0.0.1:8080)."`
	TLS            string `name:"tls" setting:"BASECOURSE_TLS" group:"Settings" placeholder:"farm|CERT,KEY" help:"Serve https: farm makes the farm's own certificate; or two files in PEM (BASECOURSE_TLS; default plain http)."`
	TLSNames       string `name:"tls-names" setting:"BASECOURSE_TLS_NAMES" group:"Settings" placeholder:"NAME,..." help:"More names and addresses for the farm's own certificate, the first one first (BASECOURSE_TLS_NAMES)."`
	PostgresBin    string `setting:"BASECOURSE_POSTGRES_BIN" group:"Settings" placeholder:"DIR" help:"Folder with PostgreSQL's programs for the private database (BASECOURSE_POSTGRES_BIN; default: the newest installed)."`
	PublicURL      string `name:"public-url" setting:"BASECOURSE_PUBLIC_URL" group:"Settings" placeholder:"URL" help:"Address people type (BASECOURSE_PUBLIC_URL)."`
	BasePath       string `setting:"BASECOURSE_BASE_PATH" group:"Settings" placeholder:"/PATH" help:"Path under which a proxy shows the program (BASECOURSE_BASE_PATH)."`
	TrustedProxies string `setting:"BASECOURSE_TRUSTED_PROXIES" group:"Settings" placeholder:"NET,..." help:"Proxies whose X-Forwarded-For is believed: addresses or networks (BASECOURSE_TRUSTED_PROXIES)."`
	Backups        string `setting:"BASECOURSE_BACKUPS" group:"Settings" placeholder:"DIR" help:"Folder for the daily backups of serve (BASECOURSE_BACKUPS; default backups in the data folder)."`
	KeepBackups    int    `setting:"BASECOURSE_KEEP_BACKUPS" group:"Settings" default:"14" placeholder:"N" help:"How many daily backups are kept; 0 writes none (BASECOURSE_KEEP_BACKUPS; default 14)."`
	TokenRate      int    `setting:"BASECOURSE_TOKEN_RATE" group:"Settings" default:"2000" placeholder:"N" help:"Requests a second that one token may send (BASECOURSE_TOKEN_RATE; default 2000)."`
	MetricsListen  string `setting:"BASECOURSE_METRICS_LISTEN" group:"Settings" placeholder:"HOST:PORT" help:"Separate address for /metrics (BASECOURSE_METRICS_LISTEN)."`
	WebhookAllow   string `setting:"BASECOURSE_WEBHOOK_ALLOW" group:"Settings" placeholder:"HOST,NET,..." help:"Hosts and networks inside to which webhooks may go, by http too (BASECOURSE_WEBHOOK_ALLOW; default none)."`
	SMTP           string `name:"smtp" setting:"BASECOURSE_SMTP" group:"Settings" placeholder:"HOST:PORT" help:"Mail server for notices (BASECOURSE_SMTP); needs --public-url. Its password is read from BASECOURSE_SMTP_PASSWORD or the file named by BASECOURSE_SMTP_PASSWORD_FILE."`
	SMTPFrom       string `name:"smtp-from" setting:"BASECOURSE_SMTP_FROM" group:"Settings" placeholder:"ADDRESS" help:"Address mail comes from (BASECOURSE_SMTP_FROM)."`
	SMTPUser       string `name:"smtp-user" setting:"BASECOURSE_SMTP_USER" group:"Settings" placeholder:"NAME" help:"Name to sign in to the mail server with (BASECOURSE_SMTP_USER)."`
	SMTPTLS        string `name:"smtp-tls" setting:"BASECOURSE_SMTP_TLS" group:"Settings" default:"starttls" placeholder:"HOW" help:"starttls, tls (from the first byte) or none (BASECOURSE_SMTP_TLS; default starttls)."`
	TraceEndpoint  string `name:"trace-endpoint" setting:"BASECOURSE_TRACE_ENDPOINT" group:"Settings" placeholder:"URL" help:"Collector that traces are sent to by OTLP over http, whole address (BASECOURSE_TRACE_ENDPOINT; or the usual OTEL_EXPORTER_OTLP_TRACES_ENDPOINT, or OTEL_EXPORTER_OTLP_ENDPOINT without /v1/traces; default none: nothing is traced)."`
	OIDCIssuer     string `name:"oidc-issuer" setting:"BASECOURSE_OIDC_ISSUER" group:"Settings" placeholder:"URL" help:"Sign-in provider (OpenID Connect) by which people may sign in beside their password (BASECOURSE_OIDC_ISSUER); needs --public-url. Its secret is read from BASECOURSE_OIDC_SECRET or the file named by BASECOURSE_OIDC_SECRET_FILE."`
	OIDCClient     string `name:"oidc-client" setting:"BASECOURSE_OIDC_CLIENT" group:"Settings" placeholder:"ID" help:"Client id at the sign-in provider (BASECOURSE_OIDC_CLIENT)."`
	OIDCName       string `name:"oidc-name" setting:"BASECOURSE_OIDC_NAME" group:"Settings" placeholder:"NAME" help:"What people call the sign-in provider (BASECOURSE_OIDC_NAME; default its host)."`
	OIDCStrong     string `name:"oidc-strong" setting:"BASECOURSE_OIDC_STRONG" group:"Settings" placeholder:"ACR,..." help:"Values of acr by which the provider tells that more than one factor was shown; amr mfa always does (BASECOURSE_OIDC_STRONG)."`
}

// databaseURL is an environment variable only: an address may hold a password,
// and arguments are seen by every account of the machine.
const databaseURL = "DATABASE_URL"

// The mail server's password is never an argument either.
const (
	smtpPassword     = "BASECOURSE_SMTP_PASSWORD"
	smtpPasswordFile = "BASECOURSE_SMTP_PASSWORD_FILE"
)

// Nor is the sign-in provider's secret.
const (
	oidcSecret     = "BASECOURSE_OIDC_SECRET"
	oidcSecretFile = "BASECOURSE_OIDC_SECRET_FILE"
)

// knownNames are the BASECOURSE_ names that may be set. The last one is of the
// tests: whoever runs them may start the program from the same shell.
var knownNames = []string{
	"BASECOURSE_DATA", "BASECOURSE_LISTEN", "BASECOURSE_POSTGRES_BIN", "BASECOURSE_PUBLIC_URL", "BASECOURSE_BASE_PATH",
	"BASECOURSE_TRUSTED_PROXIES", "BASECOURSE_METRICS_LISTEN", "BASECOURSE_BACKUPS", "BASECOURSE_KEEP_BACKUPS", "BASECOURSE_TOKEN_RATE", "BASECOURSE_TLS", "BASECOURSE_TLS_NAMES",
	"BASECOURSE_WEBHOOK_ALLOW", "BASECOURSE_SMTP", "BASECOURSE_SMTP_FROM", "BASECOURSE_SMTP_USER", "BASECOURSE_SMTP_TLS", smtpPassword, smtpPasswordFile,
	"BASECOURSE_TRACE_ENDPOINT", "BASECOURSE_OIDC_ISSUER", "BASECOURSE_OIDC_CLIENT", "BASECOURSE_OIDC_NAME", "BASECOURSE_OIDC_STRONG", oidcSecret, oidcSecretFile, "BASECOURSE_BROWSER_TESTS",
}

func environment(environ []string) map[string]string {
	m := map[string]string{}
	for _, e := range environ {
		if name, value, ok := strings.Cut(e, "="); ok {
			m[name] = value
		}
	}
	return m
}

// fromEnvironment resolves flags that were not given from the environment this
// run was handed; an empty variable says nothing.
func (a *app) fromEnvironment() kong.Resolver {
	return kong.ResolverFunc(func(_ *kong.Context, _ *kong.Path, flag *kong.Flag) (any, error) {
		name := flag.Tag.Get("setting")
		if v := a.env[name]; name != "" && v != "" {
			return v, nil
		}
		return nil, nil
	})
}

// check refuses unknown names and wrong values before anything is done, all at
// once, and fills in the data folder.
func (s *settings) check(env map[string]string) error {
	var wrong []string
	bad := func(name, found, expected string) {
		wrong = append(wrong, name+": found "+fault.Quote(found)+", expected "+expected)
	}
	for name := range env {
		if strings.HasPrefix(name, "BASECOURSE_") && !slices.Contains(knownNames, name) {
			wrong = append(wrong, name+": no such setting; there are "+strings.Join(knownNames[:len(knownNames)-1], ", "))
		}
	}
	if v := env[databaseURL]; v != "" {
		if u, err := url.Parse(v); err != nil || u.Scheme != "postgres" && u.Scheme != "postgresql" && !strings.Contains(v, "=") {
			// What was found is not shown: it may hold a password.
			wrong = append(wrong, databaseURL+": cannot be read, expected postgres://USER@HOST:PORT/NAME")
		}
	}
	for name, v := range map[string]string{"BASECOURSE_LISTEN (--listen)": s.Listen, "BASECOURSE_METRICS_LISTEN (--metrics-listen)": s.MetricsListen} {
		if v != "" && !validAddress(v) {
			bad(name, v, "HOST:PORT, such as 127.0.0.1:8080")
		}
	}
	if v := s.PublicURL; v != "" {
		if u, err := url.Parse(v); err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" {
			bad("BASECOURSE_PUBLIC_URL (--public-url)", v, "an address such as https://farm.example")
		}
	}
	if v := s.TLS; v != "" && v != "farm" {
		cert, key, ok := strings.Cut(v, ",")
		for _, f := range []string{cert, key} {
			if fi, err := os.Stat(f); !ok || err != nil || fi.IsDir() {
				bad("BASECOURSE_TLS (--tls)", v, "farm, or CERT,KEY: two files in PEM with a comma between")
				break
			}
		}
	}
	if v := s.PublicURL; s.TLS != "" && strings.HasPrefix(v, "http://") {
		bad("BASECOURSE_PUBLIC_URL (--public-url)", v, "an address with https beside BASECOURSE_TLS")
	}
	if v := s.BasePath; v != "" && (!strings.HasPrefix(v, "/") || strings.ContainsAny(v, "?#\"'<>\\ ") || strings.Contains(v, "//") || strings.Contains(v, "..")) {
		bad("BASECOURSE_BASE_PATH (--base-path)", v, "a path such as /bc")
	}
	for _, v := range s.proxies() {
		if _, err := netip.ParseAddr(v); err == nil {
			continue
		}
		if _, err := netip.ParsePrefix(v); err != nil {
			bad("BASECOURSE_TRUSTED_PROXIES (--trusted-proxies)", v, "addresses or networks such as 10.0.0.0/8, with commas between")
		}
	}
	if _, err := notify.ParseGuard(s.WebhookAllow); err != nil {
		wrong = append(wrong, "BASECOURSE_WEBHOOK_ALLOW (--webhook-allow): "+err.Error())
	}
	wrong = append(wrong, s.checkMail(env)...)
	wrong = append(wrong, s.checkProvider(env)...)
	s.TraceEndpoint = traceEndpoint(s.TraceEndpoint, env)
	if v := s.TraceEndpoint; v != "" && tracing.CheckEndpoint(v) != nil {
		// What was found is not shown: it may hold a password.
		wrong = append(wrong, "BASECOURSE_TRACE_ENDPOINT (--trace-endpoint): cannot be read, expected "+tracing.CheckEndpoint(v).Error())
	}
	if s.KeepBackups < 0 || s.KeepBackups > 10000 {
		bad("BASECOURSE_KEEP_BACKUPS (--keep-backups)", strconv.Itoa(s.KeepBackups), "a whole number from 0 to 10000")
	}
	if s.TokenRate < 1 || s.TokenRate > 1000000 {
		bad("BASECOURSE_TOKEN_RATE (--token-rate)", strconv.Itoa(s.TokenRate), "a whole number from 1 to 1000000")
	}
	if v := s.PostgresBin; v != "" {
		if fi, err := os.Stat(v); err != nil || !fi.IsDir() {
			bad("BASECOURSE_POSTGRES_BIN (--postgres-bin)", v, "a folder with PostgreSQL's programs")
		}
	}
	if s.Data == "" {
		s.Data = standardData(env)
	}
	if fi, err := os.Stat(s.Data); s.Data == "" || err == nil && !fi.IsDir() {
		bad("BASECOURSE_DATA (--data)", s.Data, "a folder")
	}
	if len(wrong) == 0 {
		return nil
	}
	sort.Strings(wrong) // the environment's order is not ours to repeat
	return fault.Misused("wrong settings\n  %s", strings.Join(wrong, "\n  "))
}

// checkMail tells what is wrong with the settings of the mail server.
func (s *settings) checkMail(env map[string]string) (wrong []string) {
	bad := func(name, found, expected string) {
		wrong = append(wrong, name+": found "+fault.Quote(found)+", expected "+expected)
	}
	if !slices.Contains([]string{"starttls", "tls", "none"}, s.SMTPTLS) {
		bad("BASECOURSE_SMTP_TLS (--smtp-tls)", s.SMTPTLS, "starttls, tls or none")
	}
	if s.SMTP == "" {
		return wrong
	}
	host, _, err := net.SplitHostPort(s.SMTP)
	if err != nil || host == "" || !validAddress(s.SMTP) {
		bad("BASECOURSE_SMTP (--smtp)", s.SMTP, "HOST:PORT, such as mail.farm.example:587")
	}
	if notices.CheckAddress(s.SMTPFrom) != nil {
		bad("BASECOURSE_SMTP_FROM (--smtp-from)", s.SMTPFrom, "an address mail comes from, such as basecourse@farm.example")
	}
	if s.PublicURL == "" {
		bad("BASECOURSE_PUBLIC_URL (--public-url)", s.PublicURL, "the address people type, which mails lead to")
	}
	if s.SMTPTLS == "none" && s.SMTPUser != "" {
		bad("BASECOURSE_SMTP_USER (--smtp-user)", s.SMTPUser, "no name without TLS: the password would be sent in clear")
	}
	if s.SMTPUser != "" && env[smtpPassword] == "" && env[smtpPasswordFile] == "" {
		bad(smtpPassword, "", "a password beside BASECOURSE_SMTP_USER, here or in the file "+smtpPasswordFile+" names")
	}
	return wrong
}

// proxies splits the list of trusted proxies.
func (s *settings) proxies() []string {
	var list []string
	for v := range strings.SplitSeq(s.TrustedProxies, ",") {
		if v = strings.TrimSpace(v); v != "" {
			list = append(list, v)
		}
	}
	return list
}

// standardData follows the XDG base directory specification, which says to
// ignore a value that is not absolute.
func standardData(env map[string]string) string {
	if v := env["XDG_DATA_HOME"]; filepath.IsAbs(v) {
		return filepath.Join(v, "basecourse")
	}
	if v := env["HOME"]; filepath.IsAbs(v) {
		return filepath.Join(v, ".local", "share", "basecourse")
	}
	return ""
}

func validAddress(v string) bool {
	_, port, err := net.SplitHostPort(v)
	if err != nil {
		return false
	}
	n, err := strconv.Atoi(port)
	return err == nil && n >= 0 && n <= 65535
}
