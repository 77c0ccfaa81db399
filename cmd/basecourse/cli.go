package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"github.com/alecthomas/kong"
	"golang.org/x/term"

	"basecourse/internal/farmtls"
	"basecourse/internal/fault"
	"basecourse/internal/tracing"
)

// commands is the tree of commands; each has a file of its own.
type commands struct {
	settings

	Demo     demoCmd     `cmd:"" help:"Start an invented farm to look around in."`
	Serve    serveCmd    `cmd:"" help:"Serve the farm's pages and API."`
	Migrate  migrateCmd  `cmd:"" help:"Bring the database to the schema this program needs."`
	Import   importCmd   `cmd:"" help:"Take a bundle of CSV files in, all or nothing."`
	Export   exportCmd   `cmd:"" help:"Write the whole farm as a bundle of CSV files."`
	Backup   backupCmd   `cmd:"" help:"Write the whole database into one file, while it is being used."`
	Restore  restoreCmd  `cmd:"" help:"Bring a backup back into an empty database, and check it."`
	Findings findingsCmd `cmd:"" help:"Tell which printers and plates fail because of skipped probing or late cleaning."`
	Risk     riskCmd     `cmd:"" help:"Tell how likely the next first layer on each printer is to fail, and what cleaning or probing would change."`
	Plan     planCmd     `cmd:"" help:"Place the starts that open jobs need and the prep before them, and say what it costs at least."`
	Upkeep   upkeepCmd   `cmd:"" help:"Tell what to clean and probe before the next starts, and what that saves."`
	Bead     beadCmd     `cmd:"" help:"Say what lines look like when the nozzle is too low or too high."`
	Mesh     meshCmd     `cmd:"" help:"Read a bed mesh and say its range, tilt and shape."`
	Coupon   couponCmd   `cmd:"" help:"Write a test print sized for a printer's bed."`
	Labels   labelsCmd   `cmd:"" help:"Write sheets of labels for printers and plates as a PDF."`
	Diagnose diagnoseCmd `cmd:"" help:"Say what a first layer tells and what to do about it."`
	User     struct {
		Add    userAddCmd    `cmd:"" help:"Let a person sign in."`
		Remove userRemoveCmd `cmd:"" help:"Take a leaver's name away; what they recorded stays."`
	} `cmd:"" help:"People who sign in."`
	Token struct {
		Add tokenAddCmd `cmd:"" help:"Make a token for a machine or a script; prints it once."`
	} `cmd:"" help:"Tokens of machines and scripts."`
	Audit struct {
		Verify auditVerifyCmd `cmd:"" help:"Check that nothing that was recorded or changed was tampered with."`
	} `cmd:"" help:"The trail of who changed what."`
	Routes routesCmd `cmd:"" help:"List the addresses and the least role that may enter."`
}

// app is what a command works with.
type app struct {
	ctx    context.Context
	stdin  io.Reader
	stdout io.Writer
	stderr io.Writer
	env    map[string]string
	set    *settings
	tls    *farmtls.Source  // nil: plain http
	traces *tracing.Tracing // nil: none

	private string // data folder of the private cluster that is used; "" none
}

// say talks to the person at the terminal.
func (a *app) say(format string, args ...any) {
	fmt.Fprintf(a.stderr, strings.TrimSuffix(format, "\n")+"\n", args...)
}

// onTerminal tells whether a stream is a terminal, where progress may be drawn.
func onTerminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}

// exited carries the code with which kong wants to end the process (--help).
type exited int

// run is the program. It returns the exit code.
func run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer, environ []string) (code int) {
	defer func() {
		switch e := recover().(type) {
		case nil:
		case exited:
			code = int(e)
		default:
			panic(e)
		}
	}()
	a := &app{ctx: ctx, stdin: stdin, stdout: stdout, stderr: stderr, env: environment(environ)}
	var tree commands
	a.set = &tree.settings
	parser, err := newParser(a, &tree, stdout, stderr)
	if err != nil {
		return a.refuse(err)
	}
	chosen, err := parser.Parse(args)
	if err != nil {
		return a.refuse(misused(err))
	}
	if err := a.set.check(a.env); err != nil {
		return a.refuse(err)
	}
	return a.refuse(chosen.Run(a))
}

func newParser(a *app, tree *commands, stdout, stderr io.Writer) (*kong.Kong, error) {
	return kong.New(tree,
		kong.Name("basecourse"),
		kong.Description("First layers recorded, diagnosed and put right, for crews of print farms."),
		kong.Writers(stdout, stderr),
		kong.Exit(func(code int) { panic(exited(code)) }),
		kong.Resolvers(a.fromEnvironment()),
		kong.ConfigureHelp(kong.HelpOptions{Compact: true, FlagsLast: true}),
	)
}

// misused makes kong's refusals uses that make no sense: exit code 2.
func misused(err error) error {
	hint := "basecourse --help"
	var parse *kong.ParseError
	if errors.As(err, &parse) && parse.Context != nil {
		if c := parse.Context.Command(); c != "" {
			words := strings.Fields(c)
			for i, w := range words {
				if strings.HasPrefix(w, "<") || strings.HasPrefix(w, "[") {
					words = words[:i]
					break
				}
			}
			hint = "basecourse " + strings.Join(words, " ") + " --help"
		}
	}
	return fault.Misused("%v (see: %s)", err, hint)
}

// refuse says what went wrong and gives the exit code; nil is 0.
func (a *app) refuse(err error) int {
	var told *toldError
	if err != nil && !errors.As(err, &told) {
		a.say("basecourse: %v", err)
	}
	return fault.ExitCode(err)
}

// toldError ends a command whose answer has said already what is wrong.
type toldError struct{ what string }

func (e *toldError) Error() string { return e.what }
