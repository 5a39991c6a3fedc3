package web

import "fadeledger/analytics"

// minuteUTC writes an instant to the minute: 2 Apr 2031, 14:05 UTC.
func minuteUTC(i analytics.Instant) string { return moment(i, nil) + nbsp + "UTC" }

// roleWords names a role.
func roleWords(r analytics.Role) string {
	switch r {
	case analytics.RoleServiceManager:
		return "service manager"
	case analytics.RoleInstaller:
		return "installer"
	case analytics.RoleOperations:
		return "operations"
	case analytics.RoleAdministrator:
		return "administrator"
	case analytics.RoleAuditor:
		return "auditor"
	}
	return label(r)
}

// roleOptions are all roles, one of them chosen.
func roleOptions(chosen analytics.Role) []option {
	list := make([]option, 0, len(analytics.Roles))
	for _, r := range analytics.Roles {
		list = append(list, option{string(r), roleWords(r), r == chosen})
	}
	return list
}

// rightWords says in half a sentence what a right lets do.
func rightWords(r analytics.Right) string {
	switch r {
	case analytics.RightSeeUnits:
		return "see the fleet, units, ledgers and samples"
	case analytics.RightSeeIngest:
		return "see deliveries, quarantine, alarms and figures for monitoring"
	case analytics.RightRelease:
		return "release rows from quarantine and note that alarms are seen to"
	case analytics.RightCorrect:
		return "settle disputes and make corrections"
	case analytics.RightRegister:
		return "register models, terms, sites and units"
	case analytics.RightCollect:
		return "set up collectors, their profiles, logins and bindings"
	case analytics.RightDeliver:
		return "hand in telemetry"
	case analytics.RightPeople:
		return "manage people and tokens"
	case analytics.RightTrail:
		return "read the trail"
	}
	return label(r)
}
