"""The review picture: one page for the clinician in the appointment, and its chart alone."""

from service.pages.review.page import chart_svg, review_html

__all__ = ["chart_svg", "review_html"]
