"""Re-check the witnesses of a result by a second, slow and simple route.

Nothing here uses the triangle trees, the kernels or the rooms: files are read anew, parts are put
in place anew, and every number is worked out over all triangles with plain numpy (sections with
shapely). What this route cannot answer is listed as not re-checked, and never counts as confirmed.
"""

from geomcheck.verify.claims import Claim, Recheck, Report, Status
from geomcheck.verify.recheck import recheck

__all__ = ["Claim", "Recheck", "Report", "Status", "recheck"]
