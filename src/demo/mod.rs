//! Invented seasons: a simulator whose physics shares no function with the estimators. Imports neither `physics` nor `numerics`.
