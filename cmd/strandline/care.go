package main

import (
	"context"
	"encoding/hex"
	"fmt"
	"runtime"
	"runtime/debug"
	"time"

	"github.com/spf13/cobra"

	"strandline.example/strandline/internal/auth"
	"strandline.example/strandline/internal/tenant"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

// version is set when a release is built.
var version = "dev"

func newVersionCmd(a *app) *cobra.Command {
	return &cobra.Command{
		Use:     "version",
		Short:   "which build this is",
		Example: `  strandline version --output json`,
		Args:    words,
		RunE: func(*cobra.Command, []string) error {
			revision := ""
			if info, ok := debug.ReadBuildInfo(); ok {
				for _, s := range info.Settings {
					if s.Key == "vcs.revision" {
						revision = s.Value
					}
				}
			}
			if a.json() {
				return a.printValue(map[string]string{"version": version, "revision": revision, "go": runtime.Version()})
			}
			a.printf("strandline %s", version)
			if revision != "" {
				a.printf(" (%.12s)", revision)
			}
			a.printf(", %s\n", runtime.Version())
			return nil
		},
	}
}

func newCompletionCmd(a *app) *cobra.Command {
	return &cobra.Command{
		Use:   "completion SHELL",
		Short: "print a completion script for bash, zsh, fish or powershell",
		Example: `  source <(strandline completion bash)
  strandline completion zsh > "${fpath[1]}/_strandline"
  strandline completion fish > ~/.config/fish/completions/strandline.fish
  strandline completion powershell | Out-String | Invoke-Expression`,
		Args:      words,
		ValidArgs: []string{"bash", "zsh", "fish", "powershell"},
		RunE: func(cmd *cobra.Command, args []string) error {
			root := cmd.Root()
			switch args[0] {
			case "bash":
				return root.GenBashCompletionV2(a.out, true)
			case "zsh":
				return root.GenZshCompletion(a.out)
			case "fish":
				return root.GenFishCompletion(a.out, true)
			case "powershell":
				return root.GenPowerShellCompletionWithDesc(a.out)
			}
			return usagef("%q is not a shell this knows: bash, zsh, fish or powershell", args[0])
		},
	}
}

func newTokenCmd(a *app) *cobra.Command {
	var subject string
	var ttl time.Duration
	var operator bool
	cmd := &cobra.Command{
		Use:   "token",
		Short: "make a token with the key file and print it",
		Long: `Prints a bearer token for --org and --role, signed with the key file (--key-file, or key.pem in the data folder). Whoever
has it may do what the role may until it runs out: keep it short-lived, and keep it out of logs and files that others
read.`,
		Example: `  strandline token --org reefline --role client-app --subject "booking site" --ttl 720h
  STRANDLINE_TOKEN=$(strandline token --org reefline --role auditor) strandline --server box:8780 verify
  strandline token --operator --ttl 10m`,
		Args: words,
		RunE: func(cmd *cobra.Command, _ []string) error {
			key, err := auth.LoadKey(a.keyFile())
			if err != nil {
				return err
			}
			if ttl <= 0 || ttl > 366*24*time.Hour {
				return usagef("--ttl %s: want more than nothing and at most a year (8784h)", ttl)
			}
			now := a.clk.Now()
			claims := auth.Claims{Subject: subject, Role: a.set.Role, Issued: now, Expires: now.Add(ttl)}
			if claims.Subject == "" {
				claims.Subject = a.subject()
			}
			switch {
			case operator:
				claims.Role = auth.RoleOperator
			case a.set.Org == "":
				return usagef("--org is needed: whose token is it? (or --operator)")
			default:
				org, ok := tenant.New(a.set.Org)
				if !ok {
					return usagef("%q is not an org id: 1 to 40 lower-case letters, digits and hyphens", a.set.Org)
				}
				claims.Org = org.ID
			}
			token, err := key.Mint(claims)
			if err != nil {
				return err
			}
			if a.json() {
				return a.printValue(map[string]string{"token": token, "role": claims.Role, "org": claims.Org, "expireTime": claims.Expires.Format(time.RFC3339)})
			}
			a.printf("%s\n", token)
			return nil
		},
	}
	cmd.Flags().StringVar(&subject, "subject", "", "`who` uses it, as it stands in the ledger (default you)")
	cmd.Flags().DurationVar(&ttl, "ttl", time.Hour, "`time` until it runs out, for example 15m or 720h")
	cmd.Flags().BoolVar(&operator, "operator", false, "for the operator, who creates and lists orgs and sees into none")
	return cmd
}

func newVerifyCmd(a *app) *cobra.Command {
	return &cobra.Command{
		Use:   "verify",
		Short: "recompute the ledger's hash chain: was anything altered or removed?",
		Long: `Reads the org's whole ledger and recomputes every digest from the first entry. It ends with exit code 1 and the first entry
that does not fit when the ledger was altered. Keep the digest it prints: with it a later verification proves that nothing
up to that entry has changed since.`,
		Example: `  strandline verify
  strandline verify --output json`,
		Args: words,
		RunE: func(cmd *cobra.Command, _ []string) error {
			// The whole ledger may take longer than one answer's time.
			c, err := a.connect(cmd.Context())
			if err != nil {
				return err
			}
			ctx, cancel := context.WithTimeout(cmd.Context(), time.Hour)
			defer cancel()
			a.talkf("Verifying the ledger of %s ...", c.Org.ID)
			r, err := c.History.VerifyLedger(ctx, &historypb.VerifyLedgerRequest{Name: c.Org.Name()})
			if err != nil {
				return err
			}
			if a.json() {
				return a.printJSON(r)
			}
			a.printf("The ledger of %s is whole: %s, head %s\n", c.Org.ID, entriesWord(r.GetEntryCount()), hex.EncodeToString(r.GetHeadDigest()))
			return nil
		},
	}
}

func entriesWord(n int64) string {
	if n == 1 {
		return "1 entry"
	}
	return fmt.Sprintf("%d entries", n)
}

func newRebuildCmd(a *app) *cobra.Command {
	return &cobra.Command{
		Use:   "rebuild",
		Short: "build what compliance keeps of the org again from the feeds",
		Long: `Answers do not change by it: what compliance keeps can be thrown away at any time. Holds placed by people and rule packs
stay.`,
		Example:     `  strandline rebuild`,
		Args:        words,
		Annotations: map[string]string{writes: "yes"},
		RunE: func(cmd *cobra.Command, _ []string) error {
			c, err := a.connect(cmd.Context())
			if err != nil {
				return err
			}
			ctx, cancel := context.WithTimeout(cmd.Context(), time.Hour)
			defer cancel()
			a.talkf("Rebuilding %s ...", c.Org.ID)
			r, err := c.Compliance.RebuildProjection(ctx, &compliancepb.RebuildProjectionRequest{Parent: c.Org.Name(), RequestId: newID()})
			if err != nil {
				return err
			}
			if a.json() {
				return a.printJSON(r)
			}
			a.printf("%s built again.\n", plural(r.GetUnitCount(), "unit"))
			return nil
		},
	}
}
