"""What a team has settled beside the checks: findings it waives, values it will not see worse."""
