package main

import (
	"fmt"
	"os"
	"sort"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
	"go.yaml.in/yaml/v3"
)

// settings is what can be set by flag, by environment or in the configuration file, in this order of precedence.
type settings struct {
	Config    string
	Data      string
	DSN       string
	Server    string
	Token     string
	KeyFile   string
	Org       string
	Role      string
	Output    string
	NoInput   bool
	Timeout   time.Duration
	LogLevel  string
	CAFile    string
	Plaintext bool

	Listen         string
	HTTP           string
	RegistryAddr   string
	HistoryAddr    string
	ComplianceAddr string
	LogFormat      string
	DrainWait      time.Duration
	DrainTimeout   time.Duration
	MaxConns       int
	MaxImport      int
	TLSCert        string
	TLSKey         string
}

// setting describes one of them. Its flag is the name, its environment variable STRANDLINE_ and the name in capitals with
// underscores, its key in the configuration file the name with underscores.
type setting struct {
	name    string
	scope   settingScope
	def     string
	usage   string
	allowed []string
	bind    func(*settings) any // *string, *bool, *int or *time.Duration
	noFile  bool
}

type settingScope int

const (
	everyCommand settingScope = iota // a flag of every command
	serveOnly                        // a flag of serve and its parts
)

const defaultListen = "127.0.0.1:8780"

var settingTable = []setting{
	{name: "config", def: "", usage: "configuration `file` (YAML)", bind: func(s *settings) any { return &s.Config }, noFile: true},
	{name: "data", def: ".strandline", usage: "`folder` of the private database, the key and what a local server leaves", bind: func(s *settings) any { return &s.Data }},
	{name: "dsn", def: "", usage: "use this PostgreSQL instead of a private one (a connection `URL`)", bind: func(s *settings) any { return &s.DSN }},
	{name: "server", def: "", usage: "talk to the server at `host:port` (https://host:port for TLS); without it: the local server if one runs, else everything in this process", bind: func(s *settings) any { return &s.Server }},
	{name: "token", def: "", usage: "bearer `token`; without it one is made with the key file for --org and --role", bind: func(s *settings) any { return &s.Token }},
	{name: "key-file", def: "", usage: "signing key `file` (default key.pem in the data folder)", bind: func(s *settings) any { return &s.KeyFile }},
	{name: "org", def: "", usage: "`id` of the org; without it the only org there is", bind: func(s *settings) any { return &s.Org }},
	{name: "role", def: "chain-manager", usage: "`role` to act in when a token is made", allowed: []string{"technician", "shop-manager", "chain-manager", "client-app", "auditor"}, bind: func(s *settings) any { return &s.Role }},
	{name: "output", def: "table", usage: "`form` of what is printed: table for people, json for programs", allowed: []string{"table", "json"}, bind: func(s *settings) any { return &s.Output }},
	{name: "no-input", def: "false", usage: "never ask a question; fail instead", bind: func(s *settings) any { return &s.NoInput }},
	{name: "timeout", def: "30s", usage: "give up on an answer after this `time` (long imports have none)", bind: func(s *settings) any { return &s.Timeout }},
	{name: "log-level", def: "", usage: "`level` of what the services log to standard error: debug, info, warn, error or off (default info in serve, off elsewhere)", allowed: []string{"", "debug", "info", "warn", "error", "off"}, bind: func(s *settings) any { return &s.LogLevel }},

	{name: "ca-file", def: "", usage: "`file` of CAs that sign the server's certificate (default the system's)", bind: func(s *settings) any { return &s.CAFile }},
	{name: "plaintext", def: "false", usage: "speak to servers on other machines without TLS: only where the network itself is closed", bind: func(s *settings) any { return &s.Plaintext }},

	{name: "listen", scope: serveOnly, def: defaultListen, usage: "`address` of the gRPC port", bind: func(s *settings) any { return &s.Listen }},
	{name: "http", scope: serveOnly, def: "127.0.0.1:8781", usage: "`address` of the JSON gateway (all in one, and board)", bind: func(s *settings) any { return &s.HTTP }},
	{name: "registry-addr", scope: serveOnly, def: "127.0.0.1:8782", usage: "where the registry listens (`host:port`), for the parts that need it", bind: func(s *settings) any { return &s.RegistryAddr }},
	{name: "history-addr", scope: serveOnly, def: "127.0.0.1:8783", usage: "where history listens (`host:port`), for the parts that need it", bind: func(s *settings) any { return &s.HistoryAddr }},
	{name: "compliance-addr", scope: serveOnly, def: "127.0.0.1:8784", usage: "where compliance listens (`host:port`), for the parts that need it", bind: func(s *settings) any { return &s.ComplianceAddr }},
	{name: "log-format", scope: serveOnly, def: "text", usage: "`format` of the log: text or json", allowed: []string{"text", "json"}, bind: func(s *settings) any { return &s.LogFormat }},
	{name: "drain-wait", scope: serveOnly, def: "250ms", usage: "`time` between saying 'not serving' and refusing new calls", bind: func(s *settings) any { return &s.DrainWait }},
	{name: "drain-timeout", scope: serveOnly, def: "20s", usage: "`time` that running calls get to end", bind: func(s *settings) any { return &s.DrainTimeout }},
	{name: "max-conns", scope: serveOnly, def: "8", usage: "`number` of database connections of each service", bind: func(s *settings) any { return &s.MaxConns }},
	{name: "max-import", scope: serveOnly, def: "1024", usage: "largest import of entries, in `MiB`", bind: func(s *settings) any { return &s.MaxImport }},
	{name: "tls-cert", scope: serveOnly, def: "", usage: "certificate `file` (PEM) of the gRPC and HTTP ports; plain text without it", bind: func(s *settings) any { return &s.TLSCert }},
	{name: "tls-key", scope: serveOnly, def: "", usage: "key `file` (PEM) of that certificate", bind: func(s *settings) any { return &s.TLSKey }},
}

func (s setting) env() string { return "STRANDLINE_" + strings.ToUpper(s.key()) }
func (s setting) key() string { return strings.ReplaceAll(s.name, "-", "_") }

// value is one setting as a flag: it checks what it is given, wherever that comes from.
type value struct {
	s      setting
	target any
}

func (v *value) Set(text string) error {
	if len(v.s.allowed) > 0 {
		ok := false
		for _, a := range v.s.allowed {
			ok = ok || a == text
		}
		if !ok {
			return fmt.Errorf("%q is not one of %s", text, strings.Join(nonEmpty(v.s.allowed), ", "))
		}
	}
	switch t := v.target.(type) {
	case *string:
		*t = text
	case *bool:
		b, err := strconv.ParseBool(text)
		if err != nil {
			return fmt.Errorf("%q is not true or false", text)
		}
		*t = b
	case *int:
		n, err := strconv.Atoi(text)
		if err != nil || n < 1 {
			return fmt.Errorf("%q is not a number above zero", text)
		}
		*t = n
	case *time.Duration:
		d, err := time.ParseDuration(text)
		if err != nil || d < 0 {
			return fmt.Errorf("%q is not a time such as 500ms, 30s or 2m", text)
		}
		*t = d
	default:
		panic("setting " + v.s.name + " has an unknown type")
	}
	return nil
}

func (v *value) String() string {
	switch t := v.target.(type) {
	case *string:
		return *t
	case *bool:
		return strconv.FormatBool(*t)
	case *int:
		return strconv.Itoa(*t)
	case *time.Duration:
		return t.String()
	}
	return ""
}

func (v *value) Type() string {
	if _, ok := v.target.(*bool); ok {
		return "bool"
	}
	return "string"
}

// addSettings gives a command the flags of a scope.
func addSettings(fs *pflag.FlagSet, s *settings, scope settingScope) {
	for _, st := range settingTable {
		if st.scope != scope {
			continue
		}
		v := &value{s: st, target: st.bind(s)}
		if err := v.Set(st.def); err != nil {
			panic("default of " + st.name + ": " + err.Error())
		}
		f := fs.VarPF(v, st.name, "", st.usage)
		f.DefValue = st.def
		if v.Type() == "bool" {
			f.NoOptDefVal = "true"
		}
	}
}

// loadSettings completes the flags of the command line with the environment and the configuration file.
func (a *app) loadSettings(cmd *cobra.Command) error {
	file := a.set.Config
	if !cmd.Flags().Changed("config") && a.env["STRANDLINE_CONFIG"] != "" {
		file = a.env["STRANDLINE_CONFIG"]
	}
	a.set.Config = file
	inFile, err := readConfig(file)
	if err != nil {
		return err
	}
	for _, st := range settingTable {
		f := cmd.Flags().Lookup(st.name)
		// Settings that this command has no flag for are set all the same, so that defaults and checks apply to all.
		v := &value{s: st, target: st.bind(&a.set)}
		if f == nil {
			if err := v.Set(st.def); err != nil {
				return err
			}
		} else if f.Changed {
			continue
		}
		if text, ok := a.env[st.env()]; ok && text != "" {
			if err := v.Set(text); err != nil {
				return &usageError{msg: fmt.Sprintf("environment variable %s: %v", st.env(), err), quiet: true}
			}
			continue
		}
		if c, ok := inFile[st.key()]; ok {
			if err := v.Set(c.text); err != nil {
				return &usageError{msg: fmt.Sprintf("%s:%d: %s: %v", file, c.line, st.key(), err), quiet: true}
			}
		}
	}
	return nil
}

type configValue struct {
	text string
	line int
}

// readConfig reads the configuration file: one level of keys, each known, each once.
func readConfig(path string) (map[string]configValue, error) {
	if path == "" {
		return nil, nil
	}
	bad := func(format string, args ...any) error {
		return &usageError{msg: fmt.Sprintf(format, args...), quiet: true}
	}
	raw, err := os.ReadFile(path)
	if err != nil {
		return nil, bad("configuration file: %v", err)
	}
	var doc yaml.Node
	if err := yaml.Unmarshal(raw, &doc); err != nil {
		return nil, bad("%s: %s", path, strings.TrimPrefix(err.Error(), "yaml: "))
	}
	out := map[string]configValue{}
	if len(doc.Content) == 0 {
		return out, nil
	}
	m := doc.Content[0]
	if m.Kind != yaml.MappingNode {
		return nil, bad("%s:%d: want keys and values, for example 'org: reefline'", path, m.Line)
	}
	known := map[string]bool{}
	for _, st := range settingTable {
		if !st.noFile {
			known[st.key()] = true
		}
	}
	for i := 0; i+1 < len(m.Content); i += 2 {
		k, v := m.Content[i], m.Content[i+1]
		if !known[k.Value] {
			msg := fmt.Sprintf("%s:%d: unknown key %q", path, k.Line, k.Value)
			if n := nearest(strings.ReplaceAll(k.Value, "-", "_"), known); n != "" {
				msg += fmt.Sprintf("; did you mean %q?", n)
			} else {
				msg += "; 'strandline help settings' lists the keys"
			}
			return nil, bad("%s", msg)
		}
		if _, twice := out[k.Value]; twice {
			return nil, bad("%s:%d: key %q stands there twice", path, k.Line, k.Value)
		}
		if v.Kind != yaml.ScalarNode {
			return nil, bad("%s:%d: %s: want a single value", path, v.Line, k.Value)
		}
		out[k.Value] = configValue{v.Value, v.Line}
	}
	return out, nil
}

// nearest returns the known word that differs least from word, or "" when none is near.
func nearest(word string, known map[string]bool) string {
	words := make([]string, 0, len(known))
	for k := range known {
		words = append(words, k)
	}
	sort.Strings(words)
	word = strings.ToLower(word)
	best, at := "", max(len(word)/2, 2)+1
	for _, k := range words {
		if d := distance(word, k); d < at {
			best, at = k, d
		}
	}
	return best
}

// distance is the Levenshtein distance of two words.
func distance(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := 1; i <= len(a); i++ {
		diagonal := row[0]
		row[0] = i
		for j := 1; j <= len(b); j++ {
			cost := 1
			if a[i-1] == b[j-1] {
				cost = 0
			}
			next := min(row[j]+1, row[j-1]+1, diagonal+cost)
			diagonal, row[j] = row[j], next
		}
	}
	return row[len(b)]
}

func nonEmpty(words []string) []string {
	var out []string
	for _, w := range words {
		if w != "" {
			out = append(out, w)
		}
	}
	return out
}
