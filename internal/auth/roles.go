package auth

import (
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	authpb "strandline.example/strandline/proto/strandline/auth/v1"
)

// The roles.
const (
	RoleTechnician   = "technician"    // works on units of an org
	RoleShopManager  = "shop-manager"  // runs the fleet of a shop
	RoleChainManager = "chain-manager" // runs the chain: everything inside its org
	RoleClientApp    = "client-app"    // booking site, counter till
	RoleAuditor      = "auditor"       // reads everything of an org, changes nothing
	RoleOperator     = "operator"      // creates orgs; sees into none
	RoleService      = "service"       // a service of the installation; the org comes from the request
)

// roles is the one table of who may do what. TestRoles keeps a copy of it in testdata, so that a change is seen in review.
//
// A client app may not append to the ledger: a booking site must not be able to record a passed overhaul. It does not see
// technicians and serial numbers either, so it does not read the registry.
var roles = map[string][]authpb.Permission{
	RoleTechnician: {
		authpb.Permission_PERMISSION_AUTHENTICATED,
		authpb.Permission_PERMISSION_REGISTRY_READ,
		authpb.Permission_PERMISSION_REGISTRY_WRITE, // parts are swapped at the bench, and dives reach a part through its fittings
		authpb.Permission_PERMISSION_HISTORY_READ,
		authpb.Permission_PERMISSION_HISTORY_APPEND,
		authpb.Permission_PERMISSION_COMPLIANCE_READ,
		authpb.Permission_PERMISSION_COMPLIANCE_HOLD,
	},
	RoleShopManager: {
		authpb.Permission_PERMISSION_AUTHENTICATED,
		authpb.Permission_PERMISSION_REGISTRY_READ,
		authpb.Permission_PERMISSION_REGISTRY_WRITE,
		authpb.Permission_PERMISSION_HISTORY_READ,
		authpb.Permission_PERMISSION_HISTORY_APPEND,
		authpb.Permission_PERMISSION_COMPLIANCE_READ,
		authpb.Permission_PERMISSION_COMPLIANCE_HOLD,
		authpb.Permission_PERMISSION_AVAILABILITY_READ,
		authpb.Permission_PERMISSION_ALLOCATION_WRITE,
	},
	RoleChainManager: {
		authpb.Permission_PERMISSION_AUTHENTICATED,
		authpb.Permission_PERMISSION_REGISTRY_READ,
		authpb.Permission_PERMISSION_REGISTRY_WRITE,
		authpb.Permission_PERMISSION_CHAIN_WRITE,
		authpb.Permission_PERMISSION_HISTORY_READ,
		authpb.Permission_PERMISSION_HISTORY_APPEND,
		authpb.Permission_PERMISSION_COMPLIANCE_READ,
		authpb.Permission_PERMISSION_COMPLIANCE_HOLD,
		authpb.Permission_PERMISSION_COMPLIANCE_WAIVE,
		authpb.Permission_PERMISSION_RULES_WRITE,
		authpb.Permission_PERMISSION_AVAILABILITY_READ,
		authpb.Permission_PERMISSION_ALLOCATION_WRITE,
		authpb.Permission_PERMISSION_AUDIT_READ,
	},
	RoleClientApp: {
		authpb.Permission_PERMISSION_AUTHENTICATED,
		authpb.Permission_PERMISSION_AVAILABILITY_READ,
		authpb.Permission_PERMISSION_ALLOCATION_WRITE,
	},
	RoleAuditor: {
		authpb.Permission_PERMISSION_AUTHENTICATED,
		authpb.Permission_PERMISSION_REGISTRY_READ,
		authpb.Permission_PERMISSION_HISTORY_READ,
		authpb.Permission_PERMISSION_COMPLIANCE_READ,
		authpb.Permission_PERMISSION_AUDIT_READ,
	},
	RoleOperator: {
		authpb.Permission_PERMISSION_AUTHENTICATED,
		authpb.Permission_PERMISSION_ORG_ADMIN,
	},
	RoleService: {
		authpb.Permission_PERMISSION_AUTHENTICATED,
		authpb.Permission_PERMISSION_FEED_READ,
		authpb.Permission_PERMISSION_REGISTRY_READ,
		authpb.Permission_PERMISSION_HISTORY_READ,
		authpb.Permission_PERMISSION_HISTORY_APPEND, // what comes back with a rental is recorded by compliance, for those who may not append themselves
	},
}

// Roles returns the names of all roles, sorted.
func Roles() []string {
	names := make([]string, 0, len(roles))
	for r := range roles {
		names = append(names, r)
	}
	slices.Sort(names)
	return names
}

// Known says whether role is one of the roles.
func Known(role string) bool { return roles[role] != nil }

// OfOrg says whether tokens of the role carry an org.
func OfOrg(role string) bool { return Known(role) && role != RoleOperator && role != RoleService }

// Allows says whether a role holds a permission. An unknown role holds none, and nobody holds PERMISSION_UNSPECIFIED.
func Allows(role string, p authpb.Permission) bool {
	return p != authpb.Permission_PERMISSION_UNSPECIFIED && slices.Contains(roles[role], p)
}

// PermissionOf returns the permission that an RPC declares; ok is false for one that is unknown or declares none. The method is
// written as gRPC does: /package.Service/Method.
func PermissionOf(fullMethod string) (p authpb.Permission, ok bool) {
	service, method, _ := strings.Cut(strings.TrimPrefix(fullMethod, "/"), "/")
	if !protoreflect.FullName(service).IsValid() || !protoreflect.Name(method).IsValid() {
		return 0, false
	}
	d, err := protoregistry.GlobalFiles.FindDescriptorByName(protoreflect.FullName(service).Append(protoreflect.Name(method)))
	if err != nil {
		return 0, false
	}
	m, isMethod := d.(protoreflect.MethodDescriptor)
	if !isMethod {
		return 0, false
	}
	return Declared(m)
}

// Declared returns the permission a method's descriptor declares.
func Declared(m protoreflect.MethodDescriptor) (p authpb.Permission, ok bool) {
	if m.Options() == nil || !proto.HasExtension(m.Options(), authpb.E_Permission) {
		return 0, false
	}
	p, _ = proto.GetExtension(m.Options(), authpb.E_Permission).(authpb.Permission)
	return p, p != authpb.Permission_PERMISSION_UNSPECIFIED
}
