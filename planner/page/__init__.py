"""The page (Streamlit): views over documents of the store. Streamlit is imported here only.

EXERCISE - NOT FOR PATIENT CARE stands on every view. The store is the truth: every committed edit
is written at once as a revision, and the session keeps ids only.
"""
